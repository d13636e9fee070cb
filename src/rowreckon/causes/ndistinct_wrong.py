"""# ndistinct_wrong

## What it finds
A column whose number of distinct values is wrong in the statistics, as extrapolated from a sample.

## Why it hurts
The number decides the groups expected and the matches of each key in a join. It also decides the frequency of every
value that is not in the list of common values.

## Evidence it needs
A grouping by that column over the whole table, which counts the values. Or, from the catalog, a stored number that
contradicts the counted one while the statistics are fresh.

## Remedy
A higher statistics target, or n_distinct set by hand for the column, and ANALYZE.

## When it is wrong
With old statistics the number was right once: ANALYZE alone mends it.

## References
Haas and Stokes, "Estimating the Number of Classes in a Finite Population" (JASA 1998), the estimator in analyze.c;
PostgreSQL documentation, ALTER TABLE (n_distinct).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from rowreckon.capture import Capture
from rowreckon.causes.finding import LIKELY, POSSIBLE, STRONG, Candidate, apart, fact
from rowreckon.causes.groups import near_default, number_is_off
from rowreckon.causes.keys import distinct_values, group_keys, join_keys, reads_whole
from rowreckon.causes.wording import count, rows_sentence
from rowreckon.plan.nodes import AggregateNode, MemoizeNode
from rowreckon.plural import counted as counted_noun
from rowreckon.remedies import checks
from rowreckon.remedies.draft import CERTAIN, OPEN, SHARE_UPDATE_EXCLUSIVE, Draft, targets
from rowreckon.remedies.quoting import quote_table
from rowreckon.remedies.refresh import NOT_OWNER, analyze_statements
from rowreckon.remedies.statistics import longer_list
from rowreckon.remedies.subject import Subject
from rowreckon.sql.keywords import quote_name

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Relation
    from rowreckon.causes.site import Context, Key, Site
    from rowreckon.document.audit import Evidence
    from rowreckon.plan.tree import PlanTree

TITLE = "wrong number of distinct values"


def check(site: Site, context: Context) -> Candidate | None:
    """A candidate for a grouping by one column, or for a join whose keys the plan or a lookup cache counted."""
    if site.kind == "groups":
        return _groups(site, context)
    if site.kind in ("join", "lookup"):
        return _join(site, context)
    return None


def _groups(site: Site, context: Context) -> Candidate | None:
    keys = [k for k in group_keys(site, context) if k.table.name]
    if len(keys) != 1 or len(site.group_keys) != 1 or not number_is_off(site):
        return None
    key = keys[0]
    if site.direction == "over" and not _counts_all(site, context, key):
        return None  # fewer values among some of the rows say nothing of the whole column
    counted = site.groups_came
    stored = distinct_values(key)
    evidence = [
        fact("groups expected", site.groups_expected, "plan"),
        fact("groups that came", counted, "plan"),
    ]
    if stored is None and near_default(site):
        weight = POSSIBLE
    elif stored is None:
        weight = LIKELY
    else:
        evidence.append(fact("distinct values in the statistics", stored, "catalog"))
        off = max(stored, 1.0) / max(counted, 1.0)
        weight = STRONG if (off > 2 and site.direction == "over") or (off < 0.5 and site.direction == "under") else 0.0
        if not weight:
            return None
    return _candidate(site, key, counted, stored, weight, evidence)


def _counts_all(site: Site, context: Context, key: Key) -> bool:
    """Whether all rows of the key's table were grouped, so that the number of groups is that of its values."""
    return all(reads_whole(context, n, key) for n in context.tree.inputs(site.number))


def _join(site: Site, context: Context) -> Candidate | None:
    keys = [k for k in join_keys(site, context) if k.table.name]
    if not any(k.relation for k in keys) and not (site.kind == "join" and site.direction == "over"):
        return None
    counted = _counted_keys(context.tree) if any(k.relation for k in keys) else {}
    for key in keys:
        stored = distinct_values(key)
        known = counted.get((key.alias, key.column))
        if known is None or stored is None:
            continue
        if known > 2 * stored:
            evidence = [
                fact("distinct values in the statistics", stored, "catalog"),
                fact("distinct values that the plan itself counted", known, "plan"),
            ]
            return _candidate(site, key, known, stored, STRONG, evidence)
    inner = getattr(site.node, "join_type", None) == "Inner"
    if inner and len(keys) in (1, 2) and site.direction == "over" and not any(k.relation for k in keys):
        return _candidate(site, keys[0], None, None, POSSIBLE, [fact("rows expected", site.estimate, "plan")])
    return None


def _counted_keys(tree: PlanTree) -> dict[tuple[str, str], float]:
    """Distinct keys that a node of the plan counted: an aggregate by one column, or a Memoize that evicted nothing."""
    from rowreckon.plan.conditions import parse_condition

    found: dict[tuple[str, str], float] = {}
    for node in tree.nodes:
        text: str | None = None
        rows = 0.0
        if isinstance(node, AggregateNode) and node.group_key and len(node.group_key) == 1 and node.loops == 1:
            text, rows = node.group_key[0], float(node.actual_rows or 0)
        elif isinstance(node, MemoizeNode) and node.cache_key and not node.cache_evictions and node.loops:
            text, rows = node.cache_key, float(node.cache_misses or 0)
        if text is None or not rows:
            continue
        columns = parse_condition(text).columns
        if len(columns) == 1 and columns[0].table is not None:
            place = (columns[0].table, columns[0].column)
            found[place] = max(found.get(place, 0.0), rows)
    return found


def _candidate(
    site: Site, key: Key, counted: float | None, stored: float | None, weight: float, evidence: list[Evidence]
) -> Candidate:
    told = f": {count(counted)} were counted" if counted is not None else ""
    return Candidate(
        code="ndistinct_wrong",
        weight=weight,
        basis="catalog" if key.relation is not None else "plan",
        summary=f"The number of distinct values of {key.table}.{key.column} is wrong in the statistics{told}. "
        + rows_sentence(site),
        evidence=tuple(evidence),
        explains=apart(counted, stored) if counted is not None and stored is not None else None,
        subject=Subject(
            table=key.table,
            relation=key.relation,
            columns=(key.column,),
            distinct=counted,
            total_rows=key.relation.reltuples if key.relation is not None else None,
        ),
    )


def remedy(subject: Subject, capture: Capture) -> tuple[Draft, ...]:
    """n_distinct set by hand to what was counted; a larger sample where nothing was counted."""
    tables = targets(subject)
    if not tables or len(subject.columns) != 1:
        return ()
    if subject.distinct is None or subject.distinct < 2:
        drafts = longer_list(replace(subject, fraction=0.001), capture)
        return tuple(
            replace(
                d,
                works=OPEN,
                reason=f"Let ANALYZE draw a larger sample of {tables[0]}, from which it counts distinct values.",
            )
            for d in drafts
        )
    value = _as_stored(subject.distinct, subject.total_rows)
    column = quote_name(subject.columns[0])
    inherited = subject.relation is not None and subject.relation.kind == "partitioned_table"
    option = "n_distinct_inherited" if inherited else "n_distinct"
    table = tables[0]
    place = f"ALTER TABLE {quote_table(table)} ALTER COLUMN {column}"
    known = subject.relation is not None and capture.catalog is not None
    before = _override(subject.relation, subject.columns[0], inherited=inherited)
    undo = f"RESET ({option})" if before is None else f"SET ({option} = {before:g})"
    return (
        Draft(
            kind="distinct_count",
            sql=(f"{place} SET ({option} = {value})", *analyze_statements((table,))),
            undo=(f"{place} {undo}", *analyze_statements((table,))),
            undo_note=None if known else "RESET removes an override that was set before as well",
            reason=f"{subject.columns[0]} of {table} has {counted_noun(subject.distinct, 'distinct value')}, counted "
            "by this query. The statistics, taken from a sample, say otherwise.",
            works=CERTAIN,
            check_first=None if known else checks.column_settings((table,), subject.columns),
            lock=SHARE_UPDATE_EXCLUSIVE,
            tables=(table,),
            columns=subject.columns,
            cautions=(
                "a number set by hand stays when the data change; a negative one grows with the table",
                NOT_OWNER,
            ),
        ),
    )


def _override(relation: Relation | None, name: str, *, inherited: bool) -> float | None:
    """The number that somebody has set by hand before, None where none is known."""
    column = relation.column(name) if relation is not None else None
    if column is None:
        return None
    return column.n_distinct_inherited_override if inherited else column.n_distinct_override


def _as_stored(distinct: float, rows: float | None) -> str:
    """A fraction of the rows where the values will grow with the table, as ANALYZE itself decides (over 10%)."""
    if rows and distinct > 0.1 * rows:
        return f"{-min(distinct / rows, 1.0):.4g}"
    return f"{distinct:.0f}"
