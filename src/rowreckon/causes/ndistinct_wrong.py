"""# ndistinct_wrong

## What it finds
A column whose number of distinct values is wrong in the statistics, as extrapolated from a sample.

## Why it hurts
The number decides the groups expected, the matches of each key in a join, and the frequency of every value that is not
in the list of common values.

## Evidence it needs
A grouping by that column over the whole table, which counts the values; or from the catalog a stored number that
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

from typing import TYPE_CHECKING

from rowreckon.causes.finding import LIKELY, POSSIBLE, STRONG, Candidate, Subject, fact
from rowreckon.causes.groups import near_default, number_is_off
from rowreckon.causes.keys import group_keys, join_keys
from rowreckon.causes.wording import count, rows_sentence
from rowreckon.plan.nodes import AggregateNode, MemoizeNode

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
    counted = site.groups_came
    stored = _stored(key)
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
    return _candidate(site, key, counted, weight, evidence)


def _join(site: Site, context: Context) -> Candidate | None:
    keys = [k for k in join_keys(site, context) if k.table.name]
    if not any(k.relation for k in keys) and not (site.kind == "join" and site.direction == "over"):
        return None
    counted = _counted_keys(context.tree) if any(k.relation for k in keys) else {}
    for key in keys:
        stored = _stored(key)
        known = counted.get((key.alias, key.column))
        if known is None or stored is None:
            continue
        if known > 2 * stored:
            evidence = [
                fact("distinct values in the statistics", stored, "catalog"),
                fact("distinct values that the plan itself counted", known, "plan"),
            ]
            return _candidate(site, key, known, STRONG, evidence)
    inner = getattr(site.node, "join_type", None) == "Inner"
    if inner and len(keys) in (1, 2) and site.direction == "over" and not any(k.relation for k in keys):
        return _candidate(site, keys[0], None, POSSIBLE, [fact("rows expected", site.estimate, "plan")])
    return None


def _stored(key: Key) -> float | None:
    relation: Relation | None = key.relation
    column = relation.column(key.column) if relation is not None else None
    if relation is None or column is None:
        return None
    statistics = column.statistics_of(inherited=relation.kind == "partitioned_table")
    if statistics is None:
        return None
    distinct = statistics.n_distinct
    return distinct if distinct > 0 else -distinct * (relation.reltuples or 0.0)


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


def _candidate(site: Site, key: Key, counted: float | None, weight: float, evidence: list[Evidence]) -> Candidate:
    told = f": {count(counted)} were counted" if counted is not None else ""
    return Candidate(
        code="ndistinct_wrong",
        weight=weight,
        basis="catalog" if key.relation is not None else "plan",
        summary=f"The number of distinct values of {key.table}.{key.column} is wrong in the statistics{told}. "
        + rows_sentence(site),
        evidence=tuple(evidence),
        subject=Subject(
            table=key.table,
            relation=key.relation,
            columns=(key.column,),
            distinct=counted,
            total_rows=key.relation.reltuples if key.relation is not None else None,
        ),
    )
