"""What a plan says of one join: its sides, its clauses, how it ran. Pure facts, no costs.

'Outer' is the side that the executed join read as outer (hash: the probe side), 'inner' the other (hash: the build
side). Sort, Hash, Materialize and Memoize stand between a join and its relation; they are looked through.
"""

from __future__ import annotations

from bisect import bisect_left
from typing import Literal

from rowreckon.counts.interval import Interval
from rowreckon.counts.reach import CountState
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.document.audit import JoinType, Method
from rowreckon.frozen import frozen
from rowreckon.joins.facts.clauses import JoinClause, clauses_of
from rowreckon.plan.base import PlanNode
from rowreckon.plan.nodes import (
    BitmapHeapScanNode,
    HashNode,
    IncrementalSortNode,
    IndexScanNode,
    JoinNode,
    MaterializeNode,
    MemoizeNode,
    ScanNode,
    SortNode,
)
from rowreckon.plan.partitions import Members, partitioned_alias
from rowreckon.plan.tree import PlanTree, alias_of

METHODS: dict[str, Method] = {"Nested Loop": "nested_loop", "Hash Join": "hash", "Merge Join": "merge"}
JOIN_TYPES: dict[str, JoinType] = {
    "Inner": "inner",
    "Left": "left",
    "Right": "right",
    "Full": "full",
    "Semi": "semi",
    "Anti": "anti",
    "Right Semi": "right_semi",
    "Right Anti": "right_anti",
}
_WRAPPERS = (HashNode, SortNode, IncrementalSortNode, MaterializeNode)


@frozen
class Side:
    """One input of a join.

    `child` is the join's direct child, `node` the one below Hash, Sort and Materialize whose rows are counted,
    `scan` the relation's scan where the side is a single one (below a Memoize too), else None. `planner_rows` are
    rows per execution and process, as the planner reckons; `divisor` takes such rows to totals over processes and
    executions, `processes` to totals over processes alone (the parallel divisor, 1 where the side is not partial):
    those of the `workers` that were planned, and of the leader.
    `actual_rows` and `actual_interval` are on the planner's scale too, None where unknown. `partitioned` is the
    alias of the table whose partitions an Append brings together here, None where the side is something else.
    """

    child: int
    node: int
    scan: int | None
    planner_rows: float
    divisor: float
    processes: float
    actual_rows: float | None
    actual_interval: Interval | None
    state: CountState
    q_error_low: float | None
    workers: int
    parameterised: bool
    memoized: bool
    sorted_here: bool
    width: int
    partitioned: str | None = None


@frozen
class JoinFacts:
    """One join of a plan, as far as the plan alone tells.

    `workers` counts the planned workers where the join itself is partial, else 0. `output_rows` and its actual are on
    the planner's scale of the join node. `removed_rows` are pairs that the join filter rejected, same scale.
    `made_unique` names the side that lost its duplicates first, where the join is a semijoin (see `semijoins`).
    """

    node: int
    method: Method
    kind: str
    join_type: JoinType
    inner_unique: bool
    outer: Side
    inner: Side
    clauses: tuple[JoinClause, ...]
    workers: int
    processes: float
    shared_hash: bool
    output_rows: float
    output_interval: Interval
    output_actual: float | None
    output_actual_interval: Interval | None
    removed_rows: float
    scale: float | None
    output_state: CountState = "exact"
    made_unique: Literal["", "inner", "outer"] = ""

    @property
    def condition(self) -> str | None:
        """All join clauses as one text."""
        texts = [c.shown for c in self.clauses]
        return " AND ".join(texts) if texts else None

    @property
    def equality(self) -> bool:
        """Whether a clause equates an expression of one side with one of the other."""
        return any(c.is_equality for c in self.clauses)


class Aliases:
    """Which scan nodes carry which alias: whether a condition's table stands below a node.

    A partitioned table stands where the Append of its partitions does.
    """

    def __init__(self, tree: PlanTree) -> None:
        self._tree = tree
        self._nodes: dict[str, list[int]] = {}
        for number, node in enumerate(tree.nodes):
            alias = alias_of(node)
            if alias is not None:
                self._nodes.setdefault(alias, []).append(number)
        self.members = Members(tree)
        self._nodes.update(self.members.appends())

    def below(self, alias: str | None, number: int) -> bool:
        """Whether the alias names a scan in the subtree of `number`."""
        nodes = self._nodes.get(alias, ()) if alias is not None else ()
        first = bisect_left(nodes, number)  # they stand in pre-order, and a subtree is one run of it
        return first < len(nodes) and nodes[first] < self._tree.end[number]


def join_facts(reckoned: ReckonedTree, number: int, aliases: Aliases) -> JoinFacts:
    """The facts of the join at `number`."""
    tree = reckoned.tree
    node = tree.nodes[number]
    assert isinstance(node, JoinNode)
    outer_child, inner_child = tree.outer(number), tree.inner(number)
    assert outer_child is not None
    assert inner_child is not None
    clauses = clauses_of(tree, number, outer_child, inner_child, aliases.below, aliases.members)
    method = METHODS[node.node_type]
    parameterised = method == "nested_loop" and any(c.inner_node is not None for c in clauses)
    outer = side_facts(reckoned, outer_child, parameterised=False)
    inner = side_facts(reckoned, inner_child, parameterised=parameterised)
    count = reckoned.counts[number]
    divisor = _divisor(reckoned, number)
    build = tree.nodes[inner_child]
    rows = float(node.plan_rows or 0)
    interval = count.estimate_interval
    return JoinFacts(
        node=number,
        method=method,
        kind=node.join_type or "Inner",
        join_type=JOIN_TYPES.get(node.join_type or "Inner", "inner"),
        inner_unique=bool(node.inner_unique),
        outer=outer,
        inner=inner,
        clauses=clauses,
        workers=reckoned.parallelism.planned[number],
        processes=reckoned.parallelism.divisor(number),
        shared_hash=method == "hash" and bool(build.parallel_aware),
        output_rows=rows,
        output_interval=interval.scaled(1 / divisor) if interval and divisor else Interval(rows, rows),
        output_actual=None if count.actual is None else count.actual / divisor,
        output_actual_interval=None if count.actual_interval is None else count.actual_interval.scaled(1 / divisor),
        removed_rows=(node.rows_removed_by_join_filter or 0) * max(node.loops, 1.0) / divisor,
        output_state=count.state,
        scale=outer.divisor if node.actual_loops is None or node.loops > 0 else None,
    )


def side_facts(reckoned: ReckonedTree, child: int, *, parameterised: bool) -> Side:
    """The facts of the input whose topmost node is `child`."""
    tree = reckoned.tree
    at, sorted_here = child, False
    while isinstance(tree.nodes[at], _WRAPPERS) and len(tree.inputs(at)) == 1:
        sorted_here = sorted_here or isinstance(tree.nodes[at], (SortNode, IncrementalSortNode))
        at = tree.inputs(at)[0]
    memoized = isinstance(tree.nodes[at], MemoizeNode)
    below = tree.inputs(at)[0] if memoized and tree.inputs(at) else at
    node = tree.nodes[at]
    count = reckoned.counts[at]
    divisor = _divisor(reckoned, at)
    return Side(
        child=child,
        node=at,
        scan=below if _is_single_scan(tree.nodes[below]) else None,
        planner_rows=float(node.plan_rows or 0),
        divisor=divisor,
        processes=reckoned.parallelism.divisor(at),
        workers=reckoned.parallelism.planned[at],
        actual_rows=None if count.actual is None else count.actual / divisor,
        actual_interval=None if count.actual_interval is None else count.actual_interval.scaled(1 / divisor),
        state=count.state,
        q_error_low=count.q_error_low,
        parameterised=parameterised,
        memoized=memoized,
        sorted_here=sorted_here,
        width=int(node.plan_width or 0),
        partitioned=partitioned_alias(tree, below),
    )


def _divisor(reckoned: ReckonedTree, number: int) -> float:
    """Totals over all processes and executions ÷ the planner's rows per execution and process."""
    count, rows = reckoned.counts[number], reckoned.tree.nodes[number].plan_rows
    if count.estimate is not None and rows:
        return count.estimate / rows
    return max(reckoned.tree.nodes[number].loops, 1.0)


def _is_single_scan(node: PlanNode) -> bool:
    return isinstance(node, (ScanNode, IndexScanNode, BitmapHeapScanNode)) and node.relation_name is not None
