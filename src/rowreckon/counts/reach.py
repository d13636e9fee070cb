"""How far each node was read: was its count allowed to reach its end?

`at_least` nodes may have been stopped by something above them, so that their count is a lower bound. The rules are
those of the executor; each names what can stop a node. A blocking node (Sort, Hash, hashed aggregate) reads its whole
input before its first row, so that a stop above it does not reach below it.
"""

from __future__ import annotations

from functools import cache
from typing import Literal

from rowreckon.frozen import frozen
from rowreckon.plan.base import PlanNode
from rowreckon.plan.nodes import (
    AggregateNode,
    BitmapCombineNode,
    BitmapHeapScanNode,
    CteScanNode,
    HashNode,
    JoinNode,
    LimitNode,
    MaterializeNode,
    ModifyTableNode,
    SetOpNode,
    SortNode,
    WindowAggNode,
)
from rowreckon.plan.tree import PlanTree

CountState = Literal["exact", "at_least", "reread", "not_run", "not_counted", "probed"]


@frozen
class Reach:
    """One node's count state, and in words what may have stopped it."""

    state: CountState
    stopped_by: str | None = None


_NOT_RUN = Reach("not_run")
_NOT_COUNTED = Reach("not_counted")
_EXACT = Reach("exact")

_SUBPLANS = ("InitPlan", "SubPlan")
_LIMIT = "a LIMIT above it"
_FIRST_MATCH = "a join that stops at the first match"
_MERGE_END = "a merge join that ends with its shorter side"
_EMPTY_BUILD = "a hash join with an empty build side"
_SUBQUERY = "a subquery that stops at the row that decides it"
_CTE_READERS = "the readers of the common table expression"
_WINDOW = "a window's run condition"
_SET_OPERATION = "a set operation whose other input ended"


def find_reach(tree: PlanTree) -> tuple[Reach, ...]:
    """The count state of every node; linear in nodes.

    CTE subtrees come last, since how far one was read depends on its readers, which stand elsewhere in the tree.
    """
    stopped: list[str | None] = [None] * len(tree)
    deferred: list[int] = []
    _walk(tree, range(len(tree)), stopped, deferred)
    readers = _cte_readers(tree) if deferred else {}
    # A later expression may read an earlier one, never the other way round: the last one first.
    for root in reversed(deferred):
        complete = isinstance(tree.nodes[root], ModifyTableNode) or any(
            tree.nodes[reader].loops > 0 and stopped[reader] is None
            for reader in readers.get(_cte_name(tree.nodes[root]), ())
        )
        stopped[root] = None if complete else _CTE_READERS
        _walk(tree, tree.subtree(root), stopped, deferred=None)
    found = []
    for number, node in enumerate(tree.nodes):
        if not node.actual_loops:
            found.append(_NOT_RUN)
        elif _always_counts(type(node)) and (number == 0 or tree.nodes[tree.parent[number]].node_type != "Merge Join"):
            found.append(_state_of(stopped[number]))
        else:
            found.append(_state(tree, number, stopped[number]))
    return tuple(found)


def _walk(tree: PlanTree, numbers: range, stopped: list[str | None], deferred: list[int] | None) -> None:
    skip_until = -1
    nodes, children = tree.nodes, tree.children
    for number in numbers:
        if number < skip_until:
            continue
        if below := children[number]:
            hands_on = _hands_a_stop_on(type(nodes[number]))
            for child in below:
                if hands_on and nodes[child].parent_relationship not in _SUBPLANS:
                    stopped[child] = stopped[number]
                else:
                    stopped[child] = _stop_of_child(tree, number, child, stopped[number])
        if nodes[number].subplan_name is None:
            continue
        if deferred is not None and _is_cte(nodes[number]):
            deferred.append(number)
            skip_until = tree.end[number]
        elif deferred is None and number != numbers.start and _is_cte(nodes[number]):
            skip_until = tree.end[number]  # a nested CTE was deferred as well and has its own turn


@cache
def _hands_a_stop_on(family: type[PlanNode]) -> bool:
    """Whether what stops such a node stops its input too, and nothing else does (see `_stop_of_child`)."""
    return not issubclass(
        family,
        (
            JoinNode,
            LimitNode,
            SortNode,
            HashNode,
            ModifyTableNode,
            BitmapHeapScanNode,
            BitmapCombineNode,
            AggregateNode,
            WindowAggNode,
            SetOpNode,
        ),
    )


@cache
def _always_counts(family: type[PlanNode]) -> bool:
    """Whether the executor counts the rows of such a node wherever it ran (see `_state`)."""
    return not issubclass(family, (BitmapCombineNode, ModifyTableNode))


def _is_cte(node: PlanNode) -> bool:
    return node.subplan_name is not None and node.subplan_name.startswith("CTE ")


def _cte_name(node: PlanNode) -> str:
    return (node.subplan_name or "").removeprefix("CTE ")


def _cte_readers(tree: PlanTree) -> dict[str, list[int]]:
    found: dict[str, list[int]] = {}
    for number, node in enumerate(tree.nodes):
        if isinstance(node, CteScanNode) and node.cte_name is not None:
            found.setdefault(node.cte_name, []).append(number)
    return found


def _stop_of_child(tree: PlanTree, number: int, child: int, stopped: str | None) -> str | None:
    """What may stop `child`, given what may stop its parent."""
    node = tree.nodes[number]
    relationship = tree.nodes[child].parent_relationship
    if relationship in _SUBPLANS:
        return _stop_of_subplan(node, tree.nodes[child])
    if isinstance(node, JoinNode):
        return _stop_of_join_side(tree, number, child, stopped)
    if isinstance(node, LimitNode):
        return _LIMIT if _limit_was_reached(node, tree.nodes[child]) else stopped
    if isinstance(node, (SortNode, HashNode, ModifyTableNode, BitmapHeapScanNode, BitmapCombineNode)):
        return None
    if isinstance(node, AggregateNode) and node.strategy in ("Plain", "Hashed"):
        return None
    if isinstance(node, WindowAggNode) and node.run_condition is not None:
        return stopped if _has_partitions(node.window) else stopped or _WINDOW
    if isinstance(node, SetOpNode):
        return _stop_of_set_operation(tree, number, child, stopped)
    return stopped


@cache
def _has_partitions(window: str | None) -> bool:
    """Whether a window is known to have PARTITION BY (printed from 18 on): what feeds it is then read to its end, as
    another partition may follow (ExecWindowAgg in nodeWindowAgg.c passes through the rest of each)."""
    if window is None:
        return False
    from rowreckon.sql.grammar import NotSql, scan

    try:
        return any(token.says("partition") for token in scan(window)[3:4])
    except NotSql:
        return False


def _stop_of_subplan(node: PlanNode, root: PlanNode) -> str | None:
    name = root.subplan_name or ""
    if name.startswith("CTE "):
        return _CTE_READERS  # settled later, from its readers
    if _is_hashed(node, name) or not root.actual_rows:
        return None  # a hash table takes every row, and a subquery without a row was read to its end
    if isinstance(root, AggregateNode) and root.strategy == "Plain":
        return None  # it has one row, whoever asks
    return _SUBQUERY


def _is_hashed(node: PlanNode, name: str) -> bool:
    needle = f"hashed {name}"
    return any(isinstance(value, str) and needle in value for value in node.__dict__.values()) or any(
        needle in text for text in node.output or ()
    )


def _limit_was_reached(node: LimitNode, child: PlanNode) -> bool:
    """False only where the plan proves that the input ended before the limit.

    A constant limit's Plan Rows is min(limit, input), so fewer actual rows mean that the input ran dry. An unknown
    limit is planned as a tenth of the input (selfuncs: 10%), and then fewer rows prove nothing.
    """
    if node.actual_rows is None or node.plan_rows is None or node.loops != 1:
        return True
    tenth = round((child.plan_rows or 0) * 0.1)
    looks_unknown = abs(node.plan_rows - max(tenth, 1)) <= 1
    return looks_unknown or node.actual_rows >= node.plan_rows


def _stop_of_join_side(tree: PlanTree, number: int, child: int, stopped: str | None) -> str | None:
    node = tree.nodes[number]
    assert isinstance(node, JoinNode)
    inner = tree.nodes[child].parent_relationship == "Inner"
    if node.node_type == "Nested Loop":
        return _stop_of_loop_inner(tree, node, child, stopped) if inner else stopped
    if node.node_type == "Hash Join":
        if inner:
            return None  # the build side is read to its end before the first probe
        build = tree.inner(number)
        empty = build is not None and tree.nodes[build].loops > 0 and not tree.nodes[build].actual_rows
        keeps_outer = node.join_type in ("Left", "Full", "Anti")
        return _EMPTY_BUILD if empty and not keeps_outer else stopped
    reads_all = ("Right", "Full", "Right Anti") if inner else ("Left", "Full", "Anti")
    return stopped if node.join_type in reads_all else _MERGE_END


def _stop_of_loop_inner(tree: PlanTree, node: JoinNode, child: int, stopped: str | None) -> str | None:
    early = node.join_type in ("Semi", "Anti") or bool(node.inner_unique)
    if not early:
        return stopped
    side = tree.nodes[child]
    if node.inner_unique and node.join_filter is None and not isinstance(side, MaterializeNode):
        return stopped  # the inner side enforces the whole unique condition: it holds one row at most
    if side.loops > 0 and not side.actual_rows and _prints_zero_exactly(side):
        return stopped  # nothing ever matched, so nothing was stopped
    return _FIRST_MATCH


def _prints_zero_exactly(node: PlanNode) -> bool:
    return node.loops <= 1


def _stop_of_set_operation(tree: PlanTree, number: int, child: int, stopped: str | None) -> str | None:
    inputs = tree.inputs(number)
    if len(inputs) < 2:  # up to 17: one Append below, read whole where hashed
        node = tree.nodes[number]
        assert isinstance(node, SetOpNode)
        return None if node.strategy == "Hashed" else stopped
    return stopped if child == inputs[0] else (stopped or _SET_OPERATION)


def _state(tree: PlanTree, number: int, stopped: str | None) -> Reach:
    node = tree.nodes[number]
    if not node.actual_loops:
        return _NOT_RUN
    if isinstance(node, BitmapCombineNode):
        return _NOT_COUNTED
    # Without RETURNING the count stays 0; only from 14 on does the estimate say so too. A RETURNING that gave no row
    # had no input row, and the input's own count tells that.
    if isinstance(node, ModifyTableNode) and not node.actual_rows:
        return _NOT_COUNTED
    if node.parent_relationship in ("Inner", "Outer") and number > 0:
        above = tree.nodes[tree.parent[number]]
        if isinstance(above, JoinNode) and above.node_type == "Merge Join":
            return _state_below_merge(tree, number, above, stopped)
    return _state_of(stopped)


@cache
def _state_of(stopped: str | None) -> Reach:
    """The state of a node that was counted, by what may have stopped it."""
    return _EXACT if stopped is None else Reach("at_least", stopped)


def _state_below_merge(tree: PlanTree, number: int, join: JoinNode, stopped: str | None) -> Reach:
    """A merge join's input may end early, and its inner side may be delivered again after a mark/restore.

    Over a Sort the truth stands one node below: a Sort reads its whole input, so equal counts mean that the merge
    read everything once, and a larger count means that rows were delivered again.
    """
    node = tree.nodes[number]
    below = tree.inputs(number)
    is_inner = node.parent_relationship == "Inner"
    rereads = is_inner and not join.inner_unique and join.join_type not in ("Semi", "Anti")
    if isinstance(node, (SortNode, MaterializeNode)) and len(below) == 1:
        came, fed = node.actual_rows or 0, tree.nodes[below[0]].actual_rows or 0
        came, fed = came * node.loops, fed * tree.nodes[below[0]].loops
        if rereads and came > fed:
            return Reach("reread", "a merge join that goes back over equal keys")
        if isinstance(node, SortNode) and came == fed:
            return _EXACT
        return _state_of(stopped)
    if rereads:
        return Reach("reread", "a merge join that may go back over equal keys")
    return _state_of(stopped)
