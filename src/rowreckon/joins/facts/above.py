"""What stands above a join on its level of the query, up to where the planner compares plans of one process with those
of several.

A join of all tables is compared with a Gather on top; below an aggregate each process may aggregate its own rows first;
below an ORDER BY each may sort its own. A join below others is compared only as part of theirs.
Source: apply_scanjoin_target_to_paths, create_partial_grouping_paths and create_ordered_paths in
optimizer/plan/planner.c, releases 13 to 18.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from rowreckon.frozen import frozen
from rowreckon.joins.facts.output_texts import calls_in, evaluated
from rowreckon.plan.nodes import (
    AggregateNode,
    AppendNode,
    GatherNode,
    IncrementalSortNode,
    JoinNode,
    LimitNode,
    SortNode,
)

if TYPE_CHECKING:
    from rowreckon.counts.reckon import ReckonedTree

Kind = Literal["nothing", "aggregate", "sort", "join"]
_ENOUGH_ROWS = 400.0


@frozen
class Above:
    """What stands above a join.

    `kind` is what decides the footing. For an aggregate `per_row` is what it does with each row (planner cost),
    `columns` how many it groups by, `calls` how many aggregates there are, `groups` its rows at the estimate and at the
    actual (None: unknown), `shared` whether processes may aggregate their own rows first (None: not told). `width` is
    that of the rows sorted. `gather` says that a Gather stands right above the join, `cost` what all above it costs at
    the estimates, `top_rows` what is handed up at the top (rows).
    """

    kind: Kind
    gather: bool = False
    per_row: float = 0.0
    columns: int = 0
    calls: int = 0
    groups: float = 1.0
    groups_actual: float | None = None
    shared: bool | None = None
    width: int = 0
    cost: float = 0.0
    top_rows: float = 1.0


def above_of(reckoned: ReckonedTree, number: int, operator_cost: float, server_major: int) -> Above:
    """What stands above the join at a node; `operator_cost` is cpu_operator_cost."""
    tree = reckoned.tree
    parent = tree.parent[number] if number > 0 else -1
    gather = parent >= 0 and isinstance(tree.nodes[parent], GatherNode)
    at, sort = number, -1
    while at > 0:
        above, child = tree.parent[at], tree.nodes[at]
        node = tree.nodes[above]
        if child.parent_relationship in ("InitPlan", "SubPlan", "Subquery"):
            break
        if isinstance(node, (JoinNode, AppendNode)):
            return _below_join(reckoned, number, gather)
        if isinstance(node, AggregateNode):
            return _below_aggregate(reckoned, above, number, operator_cost, server_major, gather=gather)
        if isinstance(node, LimitNode):
            break
        if isinstance(node, (SortNode, IncrementalSortNode)) and sort < 0:
            sort = above
        at = above
    if sort >= 0:
        return Above("sort", gather=gather, width=int(tree.nodes[sort].plan_width or 0))
    return Above("nothing", gather=gather)


def _below_join(reckoned: ReckonedTree, number: int, gather: bool) -> Above:
    """A join that others stand on: how much the rest of the query costs, for bounds."""
    tree = reckoned.tree
    root = tree.nodes[0]
    cost = max(float(root.total_cost or 0.0) - float(tree.nodes[number].total_cost or 0.0), 0.0)
    at, rows = number, float(tree.nodes[number].plan_rows or 1.0)
    while at > 0:
        at = tree.parent[at]
        rows = float(tree.nodes[at].plan_rows or 1.0)
        if isinstance(tree.nodes[at], GatherNode):
            break
    return Above("join", gather=gather, cost=cost, top_rows=rows)


def _below_aggregate(
    reckoned: ReckonedTree, number: int, join: int, operator_cost: float, server_major: int, *, gather: bool
) -> Above:
    tree = reckoned.tree
    node = tree.nodes[number]
    assert isinstance(node, AggregateNode)
    last = number
    if node.partial_mode == "Partial":
        while last > 0 and getattr(tree.nodes[last], "partial_mode", None) != "Finalize":
            last = tree.parent[last]
    calls, shared = aggregates(node, server_major)
    columns = len(node.group_key or ())
    count = reckoned.counts[last]
    per_row = operator_cost * (max(calls, 1 if columns == 0 else 0) + columns)
    fed = tree.only_input(number)
    below = tree.nodes[fed] if fed is not None else None
    rows = float(below.plan_rows or 0.0) if below is not None else 0.0
    if below is not None and rows >= _ENOUGH_ROWS and node.strategy in ("Plain", "Hashed"):
        per_row = max((float(node.startup_cost or 0.0) - float(below.total_cost or 0.0)) / rows, 0.0)
    return Above(
        "aggregate",
        gather=gather,
        per_row=per_row,
        columns=columns,
        calls=calls,
        groups=max(float(tree.nodes[last].plan_rows or 1.0), 1.0),
        groups_actual=None if count.actual is None else max(count.actual / max(tree.nodes[last].loops, 1.0), 1.0),
        shared=shared,
    )


def aggregates(node: AggregateNode, server_major: int) -> tuple[int, bool | None]:
    """How many aggregates a node has, and whether all can be combined from parts; None where it isn't told."""
    told = node.partial_mode in ("Partial", "Finalize")
    if node.grouping_sets:
        return 1, False
    found = [calls_in(text, server_major) for text in node.output or () if text not in (node.group_key or ())]
    number = sum(calls is not None and bool(calls.functions) for calls in found)
    if told:
        return number, True
    if node.output is None or None in found:
        return number, None
    if any(calls is not None and calls.whole for calls in found):
        return number, False
    known = all(calls is not None and len(calls.functions) == calls.aggregates for calls in found)
    return number, True if known else None


def target_calls(reckoned: ReckonedTree, number: int, server_major: int) -> int:
    """Operators and functions evaluated for each row that a join puts out: its output, and what is grouped or sorted
    by further up on its level of the query; what a subquery below computes is handed on as it is."""
    tree = reckoned.tree
    below = {_bare(text) for child in tree.inputs(number) for text in tree.nodes[child].output or ()}
    texts = list(tree.nodes[number].output or ())
    at = number
    while at > 0:
        above, child = tree.parent[at], tree.nodes[at]
        node = tree.nodes[above]
        if child.parent_relationship in ("InitPlan", "SubPlan", "Subquery") or isinstance(node, (JoinNode, AppendNode)):
            break
        if isinstance(node, AggregateNode):
            texts += node.group_key or ()
            break
        if isinstance(node, (SortNode, IncrementalSortNode)):
            texts += node.sort_key or ()
        at = above
    return evaluated([text for text in texts if _bare(text) not in below], server_major)


def _bare(text: str) -> str:
    return text.strip("() ")
