"""How much of a join's output will be fetched: a LIMIT above it, as long as nothing in between reads to the end.

Source: preprocess_limit in optimizer/plan/planner.c; compare_fractional_path_costs in optimizer/util/pathnode.c.
"""

from __future__ import annotations

from rowreckon.plan.nodes import (
    AggregateNode,
    GatherNode,
    HashNode,
    IncrementalSortNode,
    JoinNode,
    LimitNode,
    MaterializeNode,
    ModifyTableNode,
    SetOpNode,
    SortNode,
    WindowAggNode,
)
from rowreckon.plan.tree import PlanTree

_BLOCKING = (
    SortNode,
    IncrementalSortNode,
    HashNode,
    MaterializeNode,
    SetOpNode,
    ModifyTableNode,
    WindowAggNode,
    AggregateNode,
    GatherNode,
)


def fetched_fraction(tree: PlanTree, number: int) -> float:
    """The share of the rows of the join at `number` that the planner expected to be fetched, above 0, at most 1."""
    at, fraction = number, 1.0
    while at > 0:
        above = tree.parent[at]
        node, child = tree.nodes[above], tree.nodes[at]
        if isinstance(node, _BLOCKING) or child.parent_relationship in ("InitPlan", "SubPlan", "Inner"):
            return fraction
        if isinstance(node, LimitNode) and node.plan_rows and child.plan_rows:
            fraction *= min(node.plan_rows / child.plan_rows, 1.0)
        elif isinstance(node, JoinNode) and child.parent_relationship != "Outer":
            return fraction
        at = above
    return max(fraction, 1e-9)
