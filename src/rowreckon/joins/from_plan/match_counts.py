"""What a plan tells of how a semijoin's rows match: how many outer rows find a row, and how many rows these find.

Output rows tell the first. A nested loop stops at the first match, after 2 ÷ (matches + 1) of the inner rows, so that
its cost tells the second.
Source: compute_semi_anti_join_factors and final_cost_nestloop in optimizer/path/costsize.c, releases 13 to 18.
"""

from __future__ import annotations

from typing import NamedTuple

from rowreckon.cost import CostSettings, PathCost, path_input
from rowreckon.cost.units import clamp_row_est
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.joins.facts.join_at_hand import JoinAtHand
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.plan.nodes import AggregateNode

_FEWEST = 0.02
"""No row finds more than a hundred others by this reading: a smaller share of the inner rows is rounding."""


class Matches(NamedTuple):
    """Outer rows (of one process) that find any row, and how many rows each of these finds; None where untold."""

    matched: float
    rows: float | None


def matches_of(case: JoinAtHand) -> Matches:
    """How the rows of a SEMI or ANTI join match, as the planner expected it."""
    facts = case.facts
    calls = clamp_row_est(facts.outer.planner_rows)
    output = clamp_row_est(facts.output_rows)
    matched = min(output, calls) if facts.kind == "Semi" else max(calls - output, 0.0)
    if facts.made_unique == "inner":
        return Matches(matched, _per_group(case.reckoned, facts))
    if facts.method != "nested_loop":
        return Matches(matched, None)
    # a printed single row may stand for none: then all rows of an anti join matched, or none of a semijoin did
    readings = (matched, calls if facts.kind == "Anti" else 0.0) if output <= 1.0 else (matched,)
    for reading in readings:
        part = _part(case, reading)
        if part is not None and _FEWEST <= part <= 1.0 + _FEWEST:
            return Matches(reading, max(2.0 / part - 1.0, 1.0))
    return Matches(matched, max(facts.inner.planner_rows, 1.0) if facts.inner.parameterised else None)


def _per_group(reckoned: ReckonedTree, facts: JoinFacts) -> float | None:
    """Rows that were made one, where the inner side lost its duplicates before the join."""
    tree = reckoned.tree
    at = facts.inner.child
    while at < facts.inner.node:
        node = tree.nodes[at]
        if isinstance(node, AggregateNode) or node.node_type == "Unique":
            return max(facts.inner.planner_rows / max(float(node.plan_rows or 1.0), 1.0), 1.0)
        at = tree.inputs(at)[0]
    return None


def _part(case: JoinAtHand, matched: float) -> float | None:
    """The part of the inner rows that is read for an outer row with a match."""
    settings, facts = case.settings, case.facts
    tree = case.reckoned.tree
    join, outer, top = tree.nodes[facts.node], tree.nodes[facts.outer.child], tree.nodes[facts.inner.child]
    if None in (join.total_cost, outer.total_cost, top.total_cost, top.startup_cost):
        return None
    calls, rows = clamp_row_est(facts.outer.planner_rows), max(float(top.plan_rows or 1.0), 1.0)
    inner = path_input(
        settings, top.node_type, float(top.startup_cost or 0.0), float(top.total_cost or 0.0), rows, facts.inner.width
    )
    spent = float(join.total_cost or 0.0) - float(outer.total_cost or 0.0)
    if facts.inner.parameterised:
        return _by_index(settings, facts, inner, spent, calls, matched)
    unmatched = calls - matched
    again_run = inner.rescan_total_cost - inner.rescan_startup_cost
    per_pair = settings.cpu_tuple_cost + settings.cpu_operator_cost * len(facts.clauses)
    spent -= inner.total_cost + (calls - 1.0) * inner.rescan_startup_cost + per_pair * unmatched * rows
    if unmatched >= 1.0:
        unmatched, repeated = unmatched - 1.0, matched
    else:
        repeated = max(matched - 1.0, 0.0)
    spent -= unmatched * again_run
    whole = repeated * again_run + per_pair * matched * rows
    return spent / whole if whole > 0.0 else None


def _by_index(
    settings: CostSettings, facts: JoinFacts, inner: PathCost, spent: float, calls: float, matched: float
) -> float | None:
    """An index scan that enforces all clauses costs a row's share for an outer row without a match."""
    if facts.inner.memoized or any(c.place != "index" for c in facts.clauses) or matched <= 0.0:
        return None
    run, rows = inner.run_cost, inner.rows
    spent -= calls * inner.startup_cost + (calls - matched) * run / rows
    part = spent / (matched * (run + settings.cpu_tuple_cost * rows))
    least, most = max(rows - 0.5, 1.0), rows + 0.5  # its rows are those that match, rounded
    return min(max(part, 2.0 / (most + 1.0)), 2.0 / (least + 1.0)) if part > 0.0 else None
