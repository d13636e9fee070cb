"""# never_analyzed

## What it finds
A table, or a column added later, that no ANALYZE has ever seen: new tables, temporary tables, tables just loaded.

## Why it hurts
Without statistics the planner takes fixed shares of the table: 0.5% for an equality, a third for an inequality, 200
distinct values. The real share decides the join method, and nobody told the planner.

## Evidence it needs
The catalog, for proof: no statistics for the columns although this role may read them, row security inactive. From the
plan alone: the estimate is exactly the default share of the planner's own row total.

## Remedy
ANALYZE the table; for temporary tables ANALYZE after loading, since autovacuum cannot see them.

## When it is wrong
Hidden statistics look the same as absent ones: then it is `statistics_not_usable`. An expression has the same default
share although its column is analyzed: then it is `expression_without_statistics`.

## References
PostgreSQL documentation, "Statistics Used by the Planner" and "Updating Planner Statistics"; selfuncs.h for the shares.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.capture import Capture
from rowreckon.causes.clause_kinds import compared_column
from rowreckon.causes.defaults import DISTINCT, betrays, default_selectivity
from rowreckon.causes.finding import LIKELY, POSSIBLE, PROVEN, STRONG, Candidate, fact
from rowreckon.causes.groups import near_default
from rowreckon.causes.keys import group_keys, join_keys
from rowreckon.causes.scans import name_of
from rowreckon.causes.wording import rows_sentence
from rowreckon.remedies.draft import Draft
from rowreckon.remedies.refresh import refreshed
from rowreckon.remedies.subject import Subject, is_temporary

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Relation
    from rowreckon.causes.site import Context, Key, Site

TITLE = "never analyzed"


def check(site: Site, context: Context) -> Candidate | None:
    """A candidate where statistics are proven absent, or where the estimate betrays the default shares."""
    if site.kind in ("scan", "lookup"):
        if site.relation is not None:
            columns = {c.column for clause in site.own for c in clause.columns}
            columns |= {c.column for clause in site.joined for c in clause.columns if c.table == site.alias}
            return _from_catalog(site, site.relation, columns)
        return _from_shares(site)
    keys: list[Key] = join_keys(site, context) if site.kind == "join" else group_keys(site, context)
    for key in keys:
        if key.relation is not None:
            found = _from_catalog(site, key.relation, {key.column})
            if found is not None:
                return found
    if site.kind == "groups" and not any(k.relation for k in keys):
        return _from_groups(site, keys)
    return None


def _from_catalog(site: Site, relation: Relation, columns: set[str]) -> Candidate | None:
    if not relation.statistics_readable or relation.row_security_active or relation.kind == "partitioned_table":
        return None
    table = name_of(relation)
    subject = Subject(table=table, relation=relation, columns=tuple(sorted(columns)))
    none_at_all = not any(c.statistics for c in relation.columns)
    named = [c for name in sorted(columns) if (c := relation.column(name)) is not None]
    bare = [c for c in named if not c.statistics and c.readable and c.statistics_target != 0]
    if none_at_all and all(c.readable for c in named):
        never_counted = relation.reltuples is None or relation.analyze_count == 0
        evidence = (
            fact("columns of the table with statistics", 0, "catalog"),
            fact("rows that the catalog knows of", relation.reltuples, "catalog"),
            fact("times analyzed, by the server's counters", relation.analyze_count, "catalog"),
        )
        return Candidate(
            code="never_analyzed",
            weight=PROVEN * 2 if never_counted else PROVEN,
            basis="catalog",
            summary=f"{table} has never been analyzed: the planner took default shares. {rows_sentence(site)}",
            evidence=evidence,
            subject=subject,
        )
    if bare and len(bare) < len(relation.columns):
        names = ", ".join(c.name for c in bare)
        return Candidate(
            code="never_analyzed",
            weight=PROVEN if len(bare) == len(named) else STRONG,
            basis="catalog",
            summary=f"{table} has no statistics for {names}: no ANALYZE has run since the column was added. "
            + rows_sentence(site),
            evidence=(fact("columns without statistics", names, "catalog"),),
            subject=Subject(table=table, relation=relation, columns=tuple(c.name for c in bare)),
        )
    return None


def _from_shares(site: Site) -> Candidate | None:
    if site.kind != "scan" or site.table is None or not site.own or site.unread:
        return None
    if any(c.parameters or c.subplans or compared_column(c) is None for c in site.own):
        return None
    share = default_selectivity(site.own)
    if share is None or not site.total_rows:
        return None
    per_run = site.estimate / site.executions
    planned = site.planned_rows
    # A clamped estimate of one row proves nothing, save on a temporary table, which autovacuum never analyzes.
    telling = planned is not None and (planned * share > 1.5 or is_temporary(site.table))
    exact = planned is not None and telling and betrays(per_run, planned, share, exactly=True)
    near = betrays(per_run, site.total_rows, share, exactly=False)
    if not exact and not (planned is None and near):
        return None
    columns = tuple(dict.fromkeys(c.column for clause in site.own for c in clause.columns))
    return Candidate(
        code="never_analyzed",
        weight=STRONG if exact else POSSIBLE,
        basis="plan",
        summary=f"{site.table} looks as if it was never analyzed: the estimate is the planner's default share of "
        f"{100 * share:.3g}%. {rows_sentence(site)}",
        evidence=(
            fact("default share without statistics", share, "PostgreSQL's selfuncs.h"),
            fact("rows that the planner took the table to hold", planned, "plan"),
            fact("rows expected", per_run, "plan"),
        ),
        subject=Subject(table=site.table, columns=columns, total_rows=site.total_rows),
    )


def _from_groups(site: Site, keys: list[Key]) -> Candidate | None:
    named = [k for k in keys if k.table.name]
    if len(named) != 1 or len(site.group_keys) != 1 or not near_default(site):
        return None
    key = named[0]
    return Candidate(
        code="never_analyzed",
        weight=LIKELY,
        basis="plan",
        summary=f"{key.table} looks as if {key.column} was never analyzed: 200 groups are the planner's default. "
        + rows_sentence(site),
        evidence=(fact("groups expected", DISTINCT, "plan"),),
        subject=Subject(table=key.table, columns=(key.column,)),
    )


def remedy(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """ANALYZE."""
    return refreshed(subject, capture, "The planner has no statistics of it and took default shares.")
