"""Which nodes run in parallel, and what that does to their estimates.

Below a Gather, a *partial* node's Plan Rows is the planner's row count divided by the parallel divisor, while its
Actual Rows is an average over the processes that took part; both must become totals before they are compared.

The divisor follows from the workers that the node's own path was planned with. Those are the Gather's along outer
sides, but what fills a shared hash table and what an Append collects have workers of their own, which EXPLAIN does not
print. Source: try_partial_hashjoin_path in optimizer/path/joinpath.c, add_paths_to_append_rel in
optimizer/path/allpaths.c, cost_append in optimizer/path/costsize.c, releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from types import MappingProxyType

from rowreckon.cost.gather import divisor_among
from rowreckon.frozen import frozen
from rowreckon.plan.base import PlanNode
from rowreckon.plan.nodes import (
    AggregateNode,
    AppendNode,
    GatherNode,
    HashNode,
    IncrementalSortNode,
    JoinNode,
    SortNode,
)
from rowreckon.plan.tree import PlanTree

_NO_GATHER = -1
DEFAULT_MOST_WORKERS = 2
"""What max_parallel_workers_per_gather is where nobody set it (13 to 18)."""

_LIMIT = 1024
"""What that setting may be at most: MAX_PARALLEL_WORKER_LIMIT in postmaster/bgworker_internals.h."""


@frozen
class Parallelism:
    """How the nodes of a plan are shared among processes.

    `gather`: per node the Gather above it, or -1. `partial`: whether the node's estimate was divided among processes.
    `shared`: whether processes share its work or that of a node below it. `planned`: the workers that it was planned
    with, 0 where it is not partial. `untold`: the fewest and the most that these may be, for the nodes whose own
    workers the plan does not tell; `planned` is the Gather's there. `undivided`: partial nodes whose estimate stands
    for all processes together (see `_undivided`).
    """

    gather: tuple[int, ...]
    partial: tuple[bool, ...]
    shared: tuple[bool, ...]
    planned: tuple[int, ...]
    untold: Mapping[int, tuple[int, int]]
    leader_takes_part: bool
    undivided: frozenset[int] = frozenset()

    def divisor(self, number: int) -> float:
        """The parallel divisor of a partial node (costsize.c, get_parallel_divisor); 1 elsewhere."""
        divided = self.partial[number] and number not in self.undivided
        return self._divisor(self.planned[number]) if divided else 1.0

    def divisors(self, number: int) -> tuple[float, float]:
        """The least and the greatest that the divisor may be."""
        if number not in self.untold or number in self.undivided:
            return (self.divisor(number),) * 2
        fewest, most = self.untold[number]
        return self._divisor(fewest), self._divisor(most)

    def _divisor(self, workers: int) -> float:
        return divisor_among(workers, leader_takes_part=self.leader_takes_part)

    def participants(self, tree: PlanTree, number: int) -> int:
        """Processes that could take part in running a node: 1 outside any Gather."""
        gather = self.gather[number]
        if gather == _NO_GATHER:
            return 1
        node = tree.nodes[gather]
        launched = int(node.workers_launched or 0) if isinstance(node, GatherNode) else 0
        single_copy = isinstance(node, GatherNode) and bool(node.single_copy)
        leader = 0 if launched and (single_copy or not self.leader_takes_part) else 1
        return max(launched + leader, 1)

    def each_whole(self, tree: PlanTree, number: int) -> int | None:
        """In how many processes a node ran once each and whole, since nothing below it is shared; None elsewhere."""
        taking = self.participants(tree, number)
        if taking < 2 or self.shared[number] or tree.nodes[number].loops != taking:
            return None
        return taking

    def workers(self, tree: PlanTree, number: int) -> int | None:
        """Workers that were launched for a Gather or for the nodes below one; None outside or if never run."""
        node = tree.nodes[number]
        if not isinstance(node, GatherNode):
            if self.gather[number] == _NO_GATHER:
                return None
            node = tree.nodes[self.gather[number]]
        assert isinstance(node, GatherNode)
        return None if node.workers_launched is None else int(node.workers_launched)


def find_parallelism(
    tree: PlanTree,
    *,
    leader_takes_part: bool = True,
    most_workers: int = DEFAULT_MOST_WORKERS,
    own_workers: Mapping[int, int] = MappingProxyType({}),
) -> Parallelism:
    """Mark the partial nodes of a tree; linear in nodes.

    `own_workers` tells the workers that a node was planned with, for nodes out of `places_with_own_workers`;
    `most_workers` bounds those of the others (max_parallel_workers_per_gather).
    """
    nowhere = (_NO_GATHER,) * len(tree)
    if not any(isinstance(node, GatherNode) for node in tree.nodes):
        none = (False,) * len(tree)
        return Parallelism(nowhere, none, none, (0,) * len(tree), {}, leader_takes_part)
    gather, place = list(nowhere), list(nowhere)
    for number in range(1, len(tree)):
        above = tree.parent[number]
        gather[number] = above if isinstance(tree.nodes[above], GatherNode) else gather[above]
        place[number] = number if _has_own_workers(tree.nodes[number], tree.nodes[above]) else place[above]
    drives = _driven_in_parallel(tree)
    partial = tuple(
        drives[n] and gather[n] != _NO_GATHER and not _is_single_copy(tree, gather[n]) for n in range(len(tree))
    )
    planned, untold = [0] * len(tree), {}
    for number in (n for n in range(len(tree)) if partial[n]):
        given = _planned(tree, gather[number])
        planned[number] = own_workers.get(place[number], given)
        if place[number] > gather[number] and place[number] not in own_workers:
            untold[number] = (1, min(max(given, most_workers), _LIMIT))
    found = Parallelism(tuple(gather), partial, _shared(tree), tuple(planned), untold, leader_takes_part)
    return replace(found, undivided=frozenset(_undivided(tree, found)))


def _undivided(tree: PlanTree, parallelism: Parallelism) -> Iterator[int]:
    """Appends of a UNION ALL whose estimate is that of all processes, and the sorts above them.

    Up to 14 the planner forgets that an arm which is a query of its own is shared (cost_subqueryscan in
    optimizer/path/costsize.c). That shows where the inputs' totals add up to what is printed for one process.
    """
    for number in range(len(tree) - 1, -1, -1):
        node = tree.nodes[number]
        if not isinstance(node, AppendNode) or not parallelism.partial[number]:
            continue
        inputs = tree.inputs(number)
        every = sum(float(tree.nodes[n].plan_rows or 0) * parallelism.divisor(n) for n in inputs)
        rounding = sum(parallelism.divisor(n) for n in inputs)
        printed, divisor = float(node.plan_rows or 0), parallelism.divisor(number)
        if every * (1.0 - 1.0 / divisor) > 2.0 * rounding and abs(printed - every) <= rounding:
            yield number
            while isinstance(tree.nodes[number := tree.parent[number]], (SortNode, IncrementalSortNode)):
                yield number


def places_with_own_workers(tree: PlanTree, parallelism: Parallelism) -> list[int]:
    """The topmost of the partial nodes whose own workers the plan does not tell: hash tables and inputs of Appends."""
    return [n for n in parallelism.untold if _has_own_workers(tree.nodes[n], tree.nodes[tree.parent[n]])]


def _has_own_workers(node: PlanNode, above: PlanNode) -> bool:
    return isinstance(above, AppendNode) or (isinstance(node, HashNode) and bool(node.parallel_aware))


def _shared(tree: PlanTree) -> tuple[bool, ...]:
    """Per node, whether it or a node below it is parallel-aware."""
    shared = [bool(node.parallel_aware) for node in tree.nodes]
    for number in range(len(tree) - 1, -1, -1):
        shared[number] = shared[number] or any(shared[child] for child in tree.inputs(number))
    return tuple(shared)


def _driven_in_parallel(tree: PlanTree) -> list[bool]:
    """Per node, whether a parallel-aware leaf drives it through outer sides only.

    A partial aggregate ends the chain: each process emits all of its own groups, nothing is divided above it.
    """
    drives = [False] * len(tree)
    for number in range(len(tree) - 1, -1, -1):
        node = tree.nodes[number]
        below = tree.inputs(number)
        if not below:
            drives[number] = bool(node.parallel_aware)
        elif isinstance(node, JoinNode):
            outer = tree.outer(number)
            drives[number] = outer is not None and drives[outer]
        elif isinstance(node, GatherNode) or (isinstance(node, AggregateNode) and node.partial_mode == "Partial"):
            drives[number] = False
        elif node.node_type == "Bitmap Heap Scan":
            drives[number] = bool(node.parallel_aware)
        elif isinstance(node, AppendNode) and node.parallel_aware:
            drives[number] = True  # each of its inputs may be one process's alone
        else:
            drives[number] = any(drives[child] for child in below)
    return drives


def _is_single_copy(tree: PlanTree, gather: int) -> bool:
    node = tree.nodes[gather]
    assert isinstance(node, GatherNode)
    return bool(node.single_copy)


def _planned(tree: PlanTree, gather: int) -> int:
    node = tree.nodes[gather]
    assert isinstance(node, GatherNode)
    return int(node.workers_planned or 0)
