"""Which nodes run in parallel, and what that does to their estimates.

Below a Gather, a *partial* node's Plan Rows is the planner's row count divided by the parallel divisor, while its
Actual Rows is an average over the processes that took part; both must become totals before they are compared.
"""

from __future__ import annotations

from rowreckon.frozen import frozen
from rowreckon.plan.nodes import AggregateNode, GatherNode, JoinNode
from rowreckon.plan.tree import PlanTree

_NO_GATHER = -1


@frozen
class Parallelism:
    """Per node: the Gather above it (or -1), whether its estimate was divided among processes, and whether processes
    share its work or that of a node below it."""

    gather: tuple[int, ...]
    partial: tuple[bool, ...]
    shared: tuple[bool, ...]
    leader_takes_part: bool

    def divisor(self, tree: PlanTree, number: int) -> float:
        """The parallel divisor of a partial node (costsize.c, get_parallel_divisor); 1 elsewhere."""
        if not self.partial[number]:
            return 1.0
        return parallel_divisor(_planned(tree, self.gather[number]), leader_takes_part=self.leader_takes_part)

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
        launched = node.workers_launched if isinstance(node, GatherNode) else None
        return int(launched) if launched is not None else None


def parallel_divisor(workers: float, *, leader_takes_part: bool = True) -> float:
    """By how much a parallel path's rows are divided: the workers plus what the leader is expected to do itself."""
    if not leader_takes_part:
        return max(workers, 1.0)
    return max(workers + max(0.0, 1.0 - 0.3 * workers), 1.0)


def find_parallelism(tree: PlanTree, *, leader_takes_part: bool = True) -> Parallelism:
    """Mark the partial nodes of a tree; linear in nodes."""
    if not any(isinstance(node, GatherNode) for node in tree.nodes):
        nowhere = (_NO_GATHER,) * len(tree)
        none = (False,) * len(tree)
        return Parallelism(gather=nowhere, partial=none, shared=none, leader_takes_part=leader_takes_part)
    drives = _driven_in_parallel(tree)
    gather = [_NO_GATHER] * len(tree)
    for number in range(1, len(tree)):
        above = tree.parent[number]
        gather[number] = above if isinstance(tree.nodes[above], GatherNode) else gather[above]
    partial = tuple(
        drives[n] and gather[n] != _NO_GATHER and not _is_single_copy(tree, gather[n]) for n in range(len(tree))
    )
    shared = _shared(tree)
    return Parallelism(gather=tuple(gather), partial=partial, shared=shared, leader_takes_part=leader_takes_part)


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
        else:
            drives[number] = any(drives[child] for child in below)
    return drives


def _is_single_copy(tree: PlanTree, gather: int) -> bool:
    node = tree.nodes[gather]
    return isinstance(node, GatherNode) and bool(node.single_copy)


def _planned(tree: PlanTree, gather: int) -> float:
    node = tree.nodes[gather]
    return float(node.workers_planned or 0) if isinstance(node, GatherNode) else 0.0
