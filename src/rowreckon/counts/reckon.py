"""The one function that turns per-loop numbers into comparable totals.

Everything that compares an estimate with an actual goes through `reckon`; nothing else multiplies by loops.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cache
from types import MappingProxyType

from rowreckon.counts.interval import Interval, actual_interval, estimate_interval
from rowreckon.counts.parallel import DEFAULT_MOST_WORKERS, Parallelism, find_parallelism
from rowreckon.counts.q_error import Direction, nearest_error, q_error, ratio_interval
from rowreckon.counts.reach import CountState, Reach, find_reach
from rowreckon.frozen import frozen
from rowreckon.plan.base import PlanNode
from rowreckon.plan.nodes import AppendNode, BitmapHeapScanNode, BitmapIndexScanNode, GatherNode, JoinNode
from rowreckon.plan.tree import PlanTree, tables_below

_RAN = ("exact", "at_least", "reread", "probed")


@frozen
class NodeCount:
    """One node's totals over loops and workers, in rows; None where the plan tells nothing.

    `estimate` is what the printed estimate amounts to at the loops that really happened; `planned_rows` is what the
    planner expected in total, over the `planned_loops` that it expected. `ratio` is actual ÷ estimate between the
    extreme ends of both intervals, None where the count permits no statement.
    """

    loops: float | None
    workers: int | None
    participants: int
    estimate: float | None
    estimate_interval: Interval | None
    planned_loops: float | None
    planned_rows: float | None
    actual: float | None
    actual_interval: Interval | None
    reach: Reach
    ratio: Interval | None
    q_error: float | None
    q_error_low: float | None
    direction: Direction | None

    @property
    def state(self) -> CountState:
        """What the actual is: exact, at_least, reread, not_run, not_counted."""
        return self.reach.state


@frozen
class ReckonedTree:
    """A plan tree with the totals of every node."""

    tree: PlanTree
    counts: tuple[NodeCount, ...]
    parallelism: Parallelism
    tables: Sequence[tuple[str, ...]]

    def __len__(self) -> int:
        return len(self.counts)

    def is_shared(self, number: int) -> bool:
        """Whether several processes share the work of a node or of one below it."""
        return self.parallelism.shared[number]

    def each_whole(self, number: int) -> int | None:
        """In how many processes a node ran once each and whole; None where they shared it, or there was one."""
        return self.parallelism.each_whole(self.tree, number)


def reckon(
    tree: PlanTree,
    *,
    leader_takes_part: bool = True,
    most_workers: int = DEFAULT_MOST_WORKERS,
    own_workers: Mapping[int, int] = MappingProxyType({}),
) -> ReckonedTree:
    """Totals, intervals, count states and q-errors of all nodes; linear in nodes.

    `leader_takes_part` and `most_workers` are the settings parallel_leader_participation and
    max_parallel_workers_per_gather; `own_workers` is described at `find_parallelism`.
    """
    parallelism = find_parallelism(
        tree, leader_takes_part=leader_takes_part, most_workers=most_workers, own_workers=own_workers
    )
    reach = find_reach(tree)
    decimals = _prints_decimals(tree)
    actuals = [_actual(node, decimals=decimals) for node in tree.nodes]
    _tighten(tree, reach, actuals, decimals=decimals)
    partial = parallelism.partial
    divisors = [parallelism.divisor(n) for n in range(len(tree))] if True in partial else [1.0] * len(tree)
    planned = _planned_loops(tree, divisors)
    estimates: list[Interval | None] = [None] * len(tree)
    counts: list[NodeCount] = []
    for number in range(len(tree) - 1, -1, -1):
        node = tree.nodes[number]
        executions = _executions(tree, parallelism, number, node)
        if partial[number] or _collects(type(node)):
            estimates[number] = _estimate(tree, parallelism, number, node, executions, estimates)
        elif node.plan_rows is not None:
            printed = estimate_interval(node.plan_rows)
            estimates[number] = printed if executions == 1 else printed.scaled(executions)
        gathered = parallelism.gather[number] >= 0 or isinstance(node, GatherNode)
        counts.append(
            _count(
                node,
                reach[number],
                executions,
                estimates[number],
                actuals[number],
                planned[number],
                divisors[number],
                parallelism.workers(tree, number) if gathered else None,
                parallelism.participants(tree, number) if gathered else 1,
            )
        )
    counts.reverse()
    return ReckonedTree(tree=tree, counts=tuple(counts), parallelism=parallelism, tables=tables_below(tree))


@cache
def _collects(family: type[PlanNode]) -> bool:
    """Whether a node's estimate depends on those of its inputs, or of the processes that it gathers."""
    return issubclass(family, (GatherNode, AppendNode))


def _prints_decimals(tree: PlanTree) -> bool:
    """Whether Actual Rows carries two decimals: from 18 on, whose nodes also say whether they are disabled."""
    return any(n.disabled is not None or isinstance(n.actual_rows, float) for n in tree.nodes)


def _actual(node: PlanNode, *, decimals: bool) -> Interval | None:
    rows, loops = node.actual_rows, node.actual_loops
    if rows is None or not loops:
        return None
    return actual_interval(rows, loops, decimals=decimals)


def _executions(tree: PlanTree, parallelism: Parallelism, number: int, node: PlanNode) -> float:
    """How often the node's estimate applies: its loops, or for a partial node the loops of its Gather.

    A partial node's loops count the processes that joined in, not executions: its estimate stands for all of them.
    """
    loops = node.actual_loops
    if parallelism.partial[number] and loops:
        return tree.nodes[parallelism.gather[number]].loops or 1.0
    return loops if loops is not None else 1.0


def _estimate(
    tree: PlanTree,
    parallelism: Parallelism,
    number: int,
    node: PlanNode,
    executions: float,
    estimates: list[Interval | None],
) -> Interval | None:
    if node.plan_rows is None:
        return None
    interval = estimate_interval(node.plan_rows)
    if parallelism.partial[number]:
        least, most = parallelism.divisors(number)
        interval = Interval(interval.low * (least * executions), interval.high * (most * executions))
    elif executions != 1:
        interval = interval.scaled(executions)
    if not isinstance(node, (GatherNode, AppendNode)):
        return interval
    below = [estimates[child] for child in tree.inputs(number)]
    if isinstance(node, GatherNode) and len(below) == 1 and below[0] is not None:
        # Over partial groups, and for a Gather Merge up to 17, the printed rows are workers times one process's rows;
        # what the processes below were expected to deliver together is as good a reading of the same estimate.
        return interval.joined(below[0])
    if parallelism.partial[number] and not node.parallel_aware and None not in below:
        # Its printed rows are the sum of what one process gets of each input, by however many workers each was divided.
        interval = interval.joined(Interval(sum(e.low for e in below if e), sum(e.high for e in below if e)))
    if isinstance(node, AppendNode) and any(tree.nodes[child].loops == 0 for child in tree.inputs(number)):
        # Members pruned at run time delivered nothing, and were part of the estimate: the rest is the fair lower end.
        ran = [e for child, e in zip(tree.inputs(number), below, strict=True) if e and tree.nodes[child].loops > 0]
        return Interval(min(interval.low, sum(e.low for e in ran)), interval.high)
    if isinstance(node, AppendNode) and node.subplans_removed:
        return Interval(min(interval.low, sum(e.low for e in below if e)), interval.high)
    return interval


def _tighten(tree: PlanTree, reach: Sequence[Reach], actuals: list[Interval | None], *, decimals: bool) -> None:
    """Draw intervals in by identities that the executor keeps.

    A plain inner nested loop emits one row for each inner row that its join filter keeps, so that the parent's count,
    rounded far less, gives the inner side's total. A bitmap index scan also counts dead row pointers, so that its
    live total may be as low as what the heap scan above saw.
    """
    for number, node in enumerate(tree.nodes):
        own = actuals[number]
        if own is None:
            continue
        if isinstance(node, JoinNode) and node.node_type == "Nested Loop" and node.join_type == "Inner":
            inner = tree.inner(number)
            first_only = bool(node.inner_unique) and node.join_filter is not None
            if inner is None or first_only or node.filter is not None or reach[number].state != "exact":
                continue
            side = actuals[inner]
            if side is not None and tree.nodes[inner].loops > 1:
                removed = actual_interval(node.rows_removed_by_join_filter or 0, node.loops, decimals=False)
                actuals[inner] = side.intersect(Interval(own.low + removed.low, own.high + removed.high))
        elif isinstance(node, BitmapHeapScanNode) and not node.lossy_heap_blocks:
            below = tree.inputs(number)
            if len(below) == 1 and isinstance(tree.nodes[below[0]], BitmapIndexScanNode):
                index = actuals[below[0]]
                if index is not None:
                    seen = own.low + max(
                        actual_interval(node.rows_removed_by_filter or 0, node.loops, decimals=False).low
                        + actual_interval(node.rows_removed_by_index_recheck or 0, node.loops, decimals=False).low,
                        0.0,
                    )
                    actuals[below[0]] = Interval(min(index.low, seen), index.high)


def _planned_loops(tree: PlanTree, divisors: list[float]) -> list[float | None]:
    """How often the planner expected each node to run, over all processes; None where the plan does not tell."""
    planned: list[float | None] = [None] * len(tree)
    planned[0] = 1.0
    for number in range(1, len(tree)):
        node = tree.nodes[number]
        above = tree.parent[number]
        parent = tree.nodes[above]
        if node.parent_relationship == "InitPlan":
            planned[number] = 1.0
        elif node.parent_relationship == "SubPlan" or parent.node_type in ("Memoize", "Recursive Union"):
            planned[number] = None
        elif isinstance(parent, JoinNode) and parent.node_type == "Nested Loop" and node.parent_relationship == "Inner":
            outer = tree.outer(above)
            base = planned[above]
            rows = tree.nodes[outer].plan_rows if outer is not None else None
            once = rows is not None and base is not None
            planned[number] = rows * divisors[outer] * base if once and rows and base and outer is not None else None
        elif parent.node_type == "Materialize":
            # It is filled once, however often it is read again.
            planned[number] = planned[tree.parent[above]] if above > 0 else 1.0
        else:
            planned[number] = planned[above]
    return planned


def _count(
    node: PlanNode,
    reach: Reach,
    executions: float,
    interval: Interval | None,
    actual: Interval | None,
    planned_loops: float | None,
    divisor: float,
    workers: int | None,
    participants: int,
) -> NodeCount:
    """One node's totals; its printed estimate stands for one of `divisor` processes, in one of the `executions`."""
    loops, rows = node.actual_loops, node.plan_rows
    estimate = None if rows is None else rows * divisor * executions
    planned_rows = rows * divisor * planned_loops if planned_loops is not None and rows is not None else None
    ran = reach.state in _RAN
    printed = node.actual_rows * (loops or 0) if ran and node.actual_rows is not None else None
    if printed is not None and actual is not None:
        printed = min(max(printed, actual.low), actual.high)  # where the parent's count told more than the average
    ratio: Interval | None = None
    error: float | None = None
    low: float | None = None
    direction: Direction | None = None
    if printed is not None and estimate is not None and interval is not None and actual is not None:
        ratio = ratio_interval(interval, actual)
        low, direction = nearest_error(ratio)
        error = q_error(estimate, printed)
        if reach.state == "at_least" and direction != "under":
            # A lower bound below the estimate says nothing about the truth.
            ratio, low, direction, error = None, None, None, None
        elif reach.state == "at_least":
            ratio = Interval(ratio.low, math.inf)
        elif reach.state == "reread":
            ratio, low, direction, error = None, None, None, None
    return NodeCount(
        loops=loops,
        workers=workers,
        participants=participants,
        estimate=estimate if ran or loops is None else None,
        estimate_interval=interval if ran or loops is None else None,
        planned_loops=planned_loops,
        planned_rows=planned_rows,
        actual=printed,
        actual_interval=actual if ran else None,
        reach=reach,
        ratio=ratio,
        q_error=error,
        q_error_low=low,
        direction=direction,
    )
