"""# ndistinct_multi_column

## What it finds
A grouping (GROUP BY, DISTINCT) by several columns of one table that depend on each other.

## Why it hurts
The planner multiplies the columns' numbers of distinct values, capped at a tenth of the rows. Dependent columns have
far fewer combinations; too many groups expected rule out hashing and swell every join above.

## Evidence it needs
A grouping node with two or more plain columns of one relation, its input estimated well.

## Remedy
CREATE STATISTICS (ndistinct) on the columns and ANALYZE.

## When it is wrong
One of the columns alone may have a wrong number of distinct values: the catalog tells.

## References
PostgreSQL documentation, "Multivariate N-Distinct Counts" (1,000 groups expected, 100 came); estimate_num_groups.
"""

from __future__ import annotations

from rowreckon.capture import Capture
from rowreckon.causes.finding import LIKELY, PROVEN, STRONG, Candidate, apart, fact
from rowreckon.causes.groups import number_is_off
from rowreckon.causes.keys import group_keys
from rowreckon.causes.site import Context, Key, Site
from rowreckon.causes.wording import listed, rows_sentence
from rowreckon.remedies.draft import Draft
from rowreckon.remedies.statistics import together
from rowreckon.remedies.subject import Subject

TITLE = "combinations of grouped columns"


def check(site: Site, context: Context) -> Candidate | None:
    """A candidate where two or more plain columns of one relation are grouped by."""
    if site.kind != "groups" or not number_is_off(site):
        return None
    by_table: dict[tuple[str, str], list[Key]] = {}
    for key in group_keys(site, context):
        if key.table.name:
            by_table.setdefault((key.alias, str(key.table)), []).append(key)
    several = [keys for keys in by_table.values() if len(keys) >= 2]
    if len(several) != 1:
        return None
    keys = several[0]
    table, relation = keys[0].table, keys[0].relation
    columns = tuple(dict.fromkeys(k.column for k in keys))
    weight, explains = STRONG, None
    evidence = [
        fact("grouped by", ", ".join(site.group_keys), "plan"),
        fact("groups expected", site.groups_expected, "plan"),
        fact("groups that came", site.groups_came, "plan"),
    ]
    if relation is not None:
        product = 1.0
        for name in columns:
            column = relation.column(name)
            statistics = column.statistics_of(inherited=relation.kind == "partitioned_table") if column else None
            if statistics is None:
                return None
            distinct = statistics.n_distinct
            product *= distinct if distinct > 0 else -distinct * (relation.reltuples or 1.0)
        evidence.append(fact("product of the columns' distinct values", product, "catalog"))
        explains = apart(product, site.groups_came)
        weight = PROVEN if (product > site.groups_came) == (site.direction == "over") else LIKELY
        numbers = {c.attnum for name in columns if (c := relation.column(name)) is not None}
        if any(s.built and numbers <= set(s.columns) and "ndistinct" in s.kinds for s in relation.extended_statistics):
            return None
    elif len(columns) < len(site.group_keys):
        weight = LIKELY
    return Candidate(
        code="ndistinct_multi_column",
        weight=weight,
        basis="catalog" if relation is not None else "plan",
        summary=f"{listed(columns)} of {table} depend on each other. The planner multiplies their numbers of "
        f"distinct values. {rows_sentence(site)}",
        evidence=tuple(evidence),
        explains=explains,
        subject=Subject(table=table, relation=relation, columns=columns, distinct=site.groups_came),
    )


def remedy(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """A statistics object that counts the combinations."""
    return together(subject, capture, ("ndistinct",))
