"""How many rows of a hash bucket each outer row is reckoned to be compared with, by what a hash join costs.

Half the rows of a bucket are compared, and a bucket holds at least the rows of one value.
Source: final_cost_hashjoin in optimizer/path/costsize.c; releases 13 to 18.
"""

from __future__ import annotations

from rowreckon.cost import CostSettings
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.plan.tree import PlanTree

_ROUNDING = 0.02
"""How far a difference of printed costs may lie from the planner's own."""
_KINDS = ("Inner", "Left")


def bucket_rows(settings: CostSettings, tree: PlanTree, facts: JoinFacts) -> float | None:
    """The rows of a bucket at most, at least one; None where the join is no such hash join or prints no costs."""
    if tree.nodes[facts.node].node_type != "Hash Join" or facts.workers or facts.kind not in _KINDS:
        return None
    costs = [tree.nodes[n].total_cost for n in (facts.node, facts.outer.child, facts.inner.node)]
    if None in costs or facts.inner_unique:
        return None  # of a join that stops at the first match a part of the bucket is read
    printed, outer, inner = (float(cost or 0.0) for cost in costs)
    rows, built, operator = max(facts.outer.planner_rows, 1.0), facts.inner.planner_rows, settings.cpu_operator_cost
    spent = printed - outer - inner - operator * (rows + built) - settings.cpu_tuple_cost * (built + facts.output_rows)
    return max(2.0 * (spent + _ROUNDING + 2.0 * settings.cpu_tuple_cost) / max(operator * rows, 1e-9), 1.0)
