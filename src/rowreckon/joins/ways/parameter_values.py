"""How many different parameter values a nested loop's inner side is asked for: what Memoize is priced by.

Source: cost_memoize_rescan in optimizer/path/costsize.c, estimate_num_groups in utils/adt/selfuncs.c. A run may prove
the statistics' distinct count too low: a Memoize that kept everything missed once per value, and rows that were grouped
by the value hold each once. Fewer values prove nothing: the planner has no statistics on which keys a condition leaves.
"""

from __future__ import annotations

from math import log, prod

from rowreckon.cost.selectivity import GroupRelation, estimate_num_groups
from rowreckon.cost.units import clamp_row_est
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.joins.facts.inputs import ClauseInput, JoinInput, KeyInput
from rowreckon.joins.facts.rows_below import moved_with
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.plan.nodes import AggregateNode, MemoizeNode

_STILL = 0.01


def distinct_parameters(join: JoinInput, clauses: tuple[ClauseInput, ...], outer_rows: float, whole: float) -> float:
    """Different parameter values among the outer rows of one process; all where a distinct count is a mere default.

    `whole` are the outer rows of all processes.
    """
    calls = clamp_row_est(outer_rows)
    if join.outer_made_unique is not None:
        return calls  # the outer side lost its duplicates by these very keys
    expected = _expected(join, clauses, calls, whole)
    grown = join.outer.actual_ratio
    if join.parameters_came is None or grown is None:
        return expected
    further = log(max(grown, 1e-9))
    if abs(further) < _STILL or join.outer.rows <= 0.0:
        return expected
    way = min(max(log(max(outer_rows, 1.0) / join.outer.rows) / further, 0.0), 1.0)
    came = clamp_row_est(join.outer.rows * grown)  # never below a Gather, see `proven_parameters`
    factor = join.parameters_came / _expected(join, clauses, came, came)
    return min(max(expected * float(max(factor, 1.0) ** way), 1.0), calls)


def _expected(join: JoinInput, clauses: tuple[ClauseInput, ...], calls: float, whole: float) -> float:
    """What the statistics let expect of so many calls in one process."""
    by_alias: dict[str | None, list[KeyInput]] = {}
    for clause in clauses:
        by_alias.setdefault(clause.outer.alias, []).append(clause.outer)
    relations: list[GroupRelation] = []
    for keys in by_alias.values():
        # the relation behind the keys moves with the outer rows, as far as it gave these rows
        moved = moved_with(join.outer, whole, keys[0].relation_rows, keys[0].relation_actual)
        counts = [key.distinct(moved) for key in keys]
        rows = clamp_row_est(keys[0].relation_rows * moved)
        tuples = keys[0].tuples(rows) or rows
        known = tuple(n for n in counts if n is not None)
        if len(known) < len(counts):
            return calls
        relations.append(GroupRelation(known, min(rows, tuples), tuples))
    return estimate_num_groups(relations, calls)


def proven_parameters(reckoned: ReckonedTree, facts: JoinFacts, keys: list[KeyInput]) -> float | None:
    """Different parameter values among the outer rows, where the run shows more than the statistics know of at all."""
    counted = _counted(reckoned, facts)
    if counted is None:
        return None
    if any(key.share is not None for key in keys):
        return None  # a subquery's values are more, the more rows it gives: these are no more than it could hold
    known = [key.distinct() for key in keys]
    return counted if all(n is not None for n in known) and counted > prod(n or 1.0 for n in known) else None


def _counted(reckoned: ReckonedTree, facts: JoinFacts) -> float | None:
    tree = reckoned.tree
    if facts.workers > 0 or tree.nodes[facts.node].loops != 1 or not facts.outer.actual_rows:
        return None
    inner, outer = tree.nodes[facts.inner.node], tree.nodes[facts.outer.node]
    if isinstance(inner, MemoizeNode) and inner.cache_misses and not inner.cache_overflows:
        return inner.cache_misses - (inner.cache_evictions or 0.0)  # what was thrown out may have been missed again
    grouped = outer.group_key if isinstance(outer, AggregateNode) and facts.outer.state == "exact" else None
    if grouped and set(grouped) <= {c.outer_text for c in facts.clauses if c.is_equality}:
        return facts.outer.actual_rows
    return None
