"""What stands above a join wants of its output: how much of it, and in which order.

A LIMIT fetches only a share, as long as nothing in between reads to the end. A way to run the join that gives the order
spares the sort. Source: preprocess_limit, create_ordered_paths, add_paths_to_grouping_rel and
create_final_distinct_paths in optimizer/plan/planner.c; compare_fractional_path_costs in optimizer/util/pathnode.c;
releases 13 to 18.
"""

from __future__ import annotations

from rowreckon import releases
from rowreckon.frozen import frozen
from rowreckon.joins.facts.output_texts import calls_in
from rowreckon.plan.node_texts import ordering_key
from rowreckon.plan.nodes import (
    AggregateNode,
    GatherNode,
    HashNode,
    IncrementalSortNode,
    JoinNode,
    LimitNode,
    MaterializeNode,
    ModifyTableNode,
    PassNode,
    SetOpNode,
    SortNode,
    WindowAggNode,
)
from rowreckon.plan.tree import PlanTree
from rowreckon.sql.questions import orders_aggregates, sorts_rows

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


def first_shared(tree: PlanTree, number: int) -> bool:
    """Whether a LIMIT takes the first rows, in an order, of what processes share below a Gather above the join."""
    at, gathers, ordered = number, False, False
    while at > 0:
        above = tree.parent[at]
        node, child = tree.nodes[above], tree.nodes[at]
        if child.parent_relationship in ("InitPlan", "SubPlan", "Subquery"):
            return False
        if isinstance(node, LimitNode):
            return gathers and ordered
        if isinstance(node, GatherNode):
            gathers, ordered = True, ordered or node.node_type == "Gather Merge"
        elif isinstance(node, (SortNode, IncrementalSortNode)):
            ordered = True
        else:
            return False
        at = above
    return False


@frozen
class OrderAbove:
    """The order in which a join's output is wanted.

    `order` are expressions, the first of which counts; `more` says that others follow which no join gives. `delivered`
    says that the executed join gives it and something relies on that, `sort` is the node that sorts its rows else
    (None: none does). `groups` are given where rows are grouped, for which hashing will do as well: how many there are,
    at the estimate or as they came, whichever is more.
    """

    order: tuple[str, ...]
    delivered: bool
    sort: int | None = None
    more: bool = False
    groups: float | None = None


def order_above(tree: PlanTree, number: int, delivered: tuple[str, ...], query: str | None) -> OrderAbove | None:
    """The order wanted of the join at `number`, which delivers its rows in one (`delivered`, empty: none)."""
    at, over_join = number, False
    while at > 0:
        above = tree.parent[at]
        node, child = tree.nodes[above], tree.nodes[at]
        if child.parent_relationship in ("InitPlan", "SubPlan"):
            return None
        if isinstance(node, AggregateNode):
            return _grouped(node, delivered, query, over_join=over_join)
        if isinstance(node, WindowAggNode) or node.node_type in ("Unique", "Gather Merge"):
            return OrderAbove(delivered, delivered=True) if delivered else None
        if isinstance(node, (SortNode, IncrementalSortNode)) and not over_join:
            return _sorted(tree, above, node, query)
        if isinstance(node, JoinNode):
            if node.node_type == "Merge Join":
                return OrderAbove(delivered, delivered=True) if delivered else None
            if node.node_type == "Hash Join" or child.parent_relationship != "Outer":
                return None
            over_join = True
        elif not isinstance(node, (LimitNode, MaterializeNode, PassNode)) or isinstance(node, GatherNode):
            return None
        at = above
    if delivered and query is not None and sorts_rows(query):
        return OrderAbove(delivered, delivered=True)
    return None


def _sorted(tree: PlanTree, number: int, node: SortNode | IncrementalSortNode, query: str | None) -> OrderAbove | None:
    """What a Sort right above a join sorts by, for an ORDER BY or to group; one for a join is no part of this."""
    keys = node.sort_key or ()
    user = tree.nodes[tree.parent[number]] if number > 0 else None
    if not keys or isinstance(user, JoinNode):
        return None
    groups = _groups(user, query) if isinstance(user, AggregateNode) else None
    # in descending order a merge join can give its rows as well
    return OrderAbove((ordering_key(keys[0].removesuffix(" DESC")),), False, number, len(keys) > 1, groups)


def _grouped(
    node: AggregateNode, delivered: tuple[str, ...], query: str | None, *, over_join: bool
) -> OrderAbove | None:
    keys = node.group_key or ()
    if node.strategy == "Sorted" and delivered:
        return OrderAbove(delivered, delivered=True, groups=_groups(node, query))
    if node.strategy == "Hashed" and len(keys) == 1 and not over_join:
        groups = _groups(node, query)
        return None if groups is None else OrderAbove((ordering_key(keys[0]),), delivered=False, groups=groups)
    return None


def _groups(node: AggregateNode, query: str | None) -> float | None:
    """How many groups there are where they could as well be found by hashing: once for all, and no aggregate is known
    to want its own rows in order."""
    if node.partial_mode not in (None, "Simple") or node.grouping_sets or not may_hash(node, query):
        return None
    return max(float(node.plan_rows or 1.0), float(node.actual_rows or 0.0))


def may_hash(node: AggregateNode, query: str | None) -> bool:
    """Whether the groups could as well be found by hashing: no aggregate is known to want its own rows in order."""
    if node.output is None:
        return query is None or not orders_aggregates(query)
    found = [calls_in(text, releases.NEWEST) for text in node.output]
    return not any(calls is not None and calls.whole for calls in found)
