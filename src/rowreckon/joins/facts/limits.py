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
    share = wanted_share(tree, number)
    return 1.0 if share is None else min(share, 1.0)


def wanted_share(tree: PlanTree, number: int) -> float | None:
    """Rows wanted of the join at `number`, as a multiple of those expected of it; None where all are, however many.

    A LIMIT above what was expected is printed as that; what came of it tells then that more was wanted.
    """
    at, share = number, None
    while at > 0:
        above = tree.parent[at]
        node, child = tree.nodes[above], tree.nodes[at]
        if isinstance(node, _BLOCKING) or child.parent_relationship in ("InitPlan", "SubPlan", "Inner"):
            break
        if isinstance(node, LimitNode) and node.plan_rows and child.plan_rows:
            came = float(node.actual_rows or 0.0) if node.loops == 1 else 0.0
            stopped = node.plan_rows < child.plan_rows or came > node.plan_rows
            if stopped:
                share = (1.0 if share is None else share) * max(node.plan_rows, came) / child.plan_rows
        elif isinstance(node, JoinNode) and child.parent_relationship != "Outer":
            break
        at = above
    return None if share is None else max(share, 1e-9)
