"""The q-errors of a plan whose shape is known, straight from its printed numbers.

What `counts.reckon` does node by node is done here with everything worked out beforehand that the shape alone decides;
the count states, which also depend on which nodes ran, are kept for each pattern of such facts. A test holds the two
to the same results.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor
from typing import Any

from rowreckon.archive.records import tree_of
from rowreckon.archive.shape import NotPlain, Raw
from rowreckon.counts.parallel import DEFAULT_MOST_WORKERS, find_parallelism
from rowreckon.counts.reach import CountState, find_reach
from rowreckon.plan.nodes import (
    BitmapHeapScanNode,
    BitmapIndexScanNode,
    HashNode,
    IncrementalSortNode,
    JoinNode,
    MaterializeNode,
    SortNode,
)
from rowreckon.plan.tree import PlanTree

_MOST_PATTERNS = 500
_NUMBERS = frozenset({int, float})
_DRAWING = frozenset({"Nested Loop", "Bitmap Heap Scan"})
_GATHERING = frozenset({"Gather", "Gather Merge"})
_COLLECTING = _GATHERING | {"Append", "Merge Append"}
_JOINING = frozenset({"Nested Loop", "Hash Join", "Merge Join"})
_STORING = frozenset({"Sort", "Materialize"})
_LOOKED_THROUGH = (HashNode, SortNode, IncrementalSortNode, MaterializeNode)


@dataclass(frozen=True, slots=True)
class JoinPlace:
    """A join of a shape: its node and the nodes whose rows count as its outer and inner side."""

    node: int
    outer: int
    inner: int


class Template:
    """One shape of plans whose nodes all carry rows and loops; made from the first plan's nodes in pre-order."""

    def __init__(
        self, nodes: Sequence[Raw], *, leader_takes_part: bool, most_workers: int = DEFAULT_MOST_WORKERS
    ) -> None:
        tree = tree_of(nodes)
        parallel = find_parallelism(tree, leader_takes_part=leader_takes_part, most_workers=most_workers)
        self.divisors: list[tuple[float, float]] = []
        self.gather_of_partial: list[int] = []
        if any(parallel.partial):
            self.divisors = [parallel.divisors(n) for n in range(len(tree))]
            self.gather_of_partial = [g if p else -1 for g, p in zip(parallel.gather, parallel.partial, strict=True)]
        self.decimals = tree.nodes[0].disabled is not None or any(node.disabled is not None for node in tree.nodes)
        self.joins = join_places(tree)
        self.inputs: dict[int, tuple[int, ...]] = {}
        self.gathers: set[int] = set()
        self.summed: set[int] = set()
        self.draws: list[_InnerRows | _LivePointers] = []
        self.limits: list[tuple[int, int]] = []
        self.fed: list[tuple[int, int]] = []
        for n, node in enumerate(tree.nodes):
            kind = node.node_type
            if kind in _DRAWING:
                draw = _draw_of(tree, n)
                if draw is not None:
                    self.draws.append(draw)
            elif kind in _COLLECTING:
                self.inputs[n] = tree.inputs(n)
                if kind in _GATHERING:
                    self.gathers.add(n)
                elif parallel.partial[n] and not node.parallel_aware:
                    self.summed.add(n)
            elif kind == "Limit" and tree.children[n]:
                self.limits.append((n, tree.children[n][0]))
            elif kind in _STORING and _may_be_reread(tree, n):
                self.fed.append((n, tree.inputs(n)[0]))
        self.states_of: dict[tuple[Any, ...], tuple[CountState, ...]] = {}
        self.first: PlanTree | None = tree

    def states(
        self, nodes: list[Raw], rows: list[float], came: list[float], loops: list[float], odd: list[Any]
    ) -> tuple[CountState, ...]:
        """The count states of a plan of this shape. `odd` names the nodes that ran other than once or gave no row."""
        for limit, child in self.limits:
            odd.append((rows[limit], rows[child], came[limit] >= rows[limit]))
        for store, below in self.fed:
            given, taken = came[store] * loops[store], came[below] * loops[below]
            odd.append((given > taken) - (given < taken))
        pattern = tuple(odd)
        known = self.states_of.get(pattern)
        if known is None:
            # The first plan to be asked about is the one that the template was made from.
            tree, self.first = self.first or tree_of(nodes), None
            known = tuple([reach.state for reach in find_reach(tree)])
            if len(self.states_of) >= _MOST_PATTERNS:
                self.states_of.clear()
            self.states_of[pattern] = known
        return known

    def errors(self, nodes: list[Raw]) -> list[float | None]:
        """Each node's `q_error_low`, None where its count permits no statement; see `counts.reckon`.

        Raises NotPlain where a count is no number, or a part of a loop.
        """
        rows: list[float] = [node["Plan Rows"] for node in nodes]
        came: list[float] = [node["Actual Rows"] for node in nodes]
        loops: list[float] = [node["Actual Loops"] for node in nodes]
        if not _NUMBERS.issuperset(map(type, (*rows, *came, *loops))):
            raise NotPlain
        half = 0.005 if self.decimals or float in set(map(type, came)) else 0.5
        # Both ends of each actual total.
        low, high = came[:], came[:]
        odd: list[Any] = []
        for n, run in enumerate(loops):
            if run == 1:
                if not came[n]:
                    odd.append((n, 1))
                continue
            got = came[n]
            odd.append((n, not run, run <= 1, not got))
            if run <= 1:
                if run:
                    raise NotPlain
                low[n] = high[n] = 0.0
            else:
                low[n] = float(max(ceil((got - half) * run - 1e-6), 0))
                high[n] = float(max(floor((got + half) * run + 1e-6), 0))
        states = self.states(nodes, rows, came, loops, odd)
        for draw in self.draws:
            draw(nodes, loops, states, low, high)
        least, most = self.estimates(nodes, rows, loops)
        errors: list[float | None] = []
        for state, fewest, top, down, up in zip(states, low, high, least, most, strict=True):
            if state != "exact" and state != "at_least":
                errors.append(None)
                continue
            under = (fewest if fewest > 1.0 else 1.0) / (up if up > 1.0 else 1.0)
            if under > 1.0:
                errors.append(under)
            elif state == "at_least":
                errors.append(None)
            else:
                # Two divisions, as `counts.q_error` does it, so that the last bit agrees.
                ratio = (top if top > 1.0 else 1.0) / (down if down > 1.0 else 1.0)
                errors.append(1.0 / ratio if 0.0 < ratio < 1.0 else 1.0)
        return errors

    def estimates(self, nodes: list[Raw], rows: list[float], loops: list[float]) -> tuple[list[float], list[float]]:
        """Both ends of each node's estimate at the loops that happened."""
        least: list[float] = []
        most: list[float] = []
        fewest = greatest = loops
        if self.divisors:
            pairs = list(zip(loops, self.gather_of_partial, self.divisors, strict=True))
            fewest = [d * (loops[g] or 1.0) if g >= 0 and run else run for run, g, (d, _) in pairs]
            greatest = [d * (loops[g] or 1.0) if g >= 0 and run else run for run, g, (_, d) in pairs]
        for planned, few, many in zip(rows, fewest, greatest, strict=True):
            if planned > 1:
                least.append((planned - 0.5) * few)
                most.append((planned + 0.5) * many)
            else:
                least.append(0.0)
                most.append(1.5 * many if planned > 0 else 0.0)
        for n, below in reversed(self.inputs.items()):
            if n in self.gathers:
                if len(below) == 1:
                    least[n] = min(least[n], least[below[0]])
                    most[n] = max(most[n], most[below[0]])
                continue
            if n in self.summed:
                least[n] = min(least[n], sum(least[child] for child in below))
                most[n] = max(most[n], sum(most[child] for child in below))
            if any(not loops[child] for child in below):
                least[n] = min(least[n], sum(least[child] for child in below if loops[child] > 0))
            elif nodes[n].get("Subplans Removed"):
                least[n] = min(least[n], sum(least[child] for child in below))
        return least, most


class _InnerRows:
    """A plain inner nested loop gives one row for each inner row that its filter keeps: see `counts.reckon`."""

    def __init__(self, join: int, inner: int) -> None:
        self.join, self.inner = join, inner

    def __call__(
        self,
        nodes: list[Raw],
        loops: list[float],
        states: tuple[CountState, ...],
        low: list[float],
        high: list[float],
    ) -> None:
        join, inner = self.join, self.inner
        if not loops[join] or states[join] != "exact" or loops[inner] <= 1:
            return
        removed = nodes[join].get("Rows Removed by Join Filter") or 0
        fewest, most = _rounded(removed, loops[join])
        down, up = low[join] + fewest, high[join] + most
        if low[inner] <= up and down <= high[inner]:
            low[inner], high[inner] = max(low[inner], down), min(high[inner], up)


class _LivePointers:
    """A bitmap index scan counts dead row pointers too: its live rows may be what the heap scan saw."""

    def __init__(self, heap: int, index: int) -> None:
        self.heap, self.index = heap, index

    def __call__(
        self,
        nodes: list[Raw],
        loops: list[float],
        _states: tuple[CountState, ...],
        low: list[float],
        _high: list[float],
    ) -> None:
        heap, index = self.heap, self.index
        node, run = nodes[heap], loops[heap]
        if not run or not loops[index] or node.get("Lossy Heap Blocks"):
            return
        dropped = _rounded(node.get("Rows Removed by Filter") or 0, run)[0]
        dropped += _rounded(node.get("Rows Removed by Index Recheck") or 0, run)[0]
        low[index] = min(low[index], low[heap] + max(dropped, 0.0))


def _rounded(rows: float, loops: float) -> tuple[float, float]:
    if loops <= 1:
        return rows * loops, rows * loops
    return (
        float(max(ceil((rows - 0.5) * loops - 1e-6), 0)),
        float(max(floor((rows + 0.5) * loops + 1e-6), 0)),
    )


def _draw_of(tree: PlanTree, number: int) -> _InnerRows | _LivePointers | None:
    node = tree.nodes[number]
    if isinstance(node, JoinNode) and node.node_type == "Nested Loop" and node.join_type == "Inner":
        inner = tree.inner(number)
        first_only = bool(node.inner_unique) and node.join_filter is not None
        return None if inner is None or first_only or node.filter is not None else _InnerRows(number, inner)
    if isinstance(node, BitmapHeapScanNode):
        below = tree.inputs(number)
        if len(below) == 1 and isinstance(tree.nodes[below[0]], BitmapIndexScanNode):
            return _LivePointers(number, below[0])
    return None


def _may_be_reread(tree: PlanTree, number: int) -> bool:
    if number == 0 or len(tree.inputs(number)) != 1:
        return False
    return tree.nodes[tree.parent[number]].node_type == "Merge Join"


def join_places(tree: PlanTree) -> tuple[JoinPlace, ...]:
    """The joins of a plan, with the nodes whose rows count as their sides (see `joins.sides`)."""
    found = []
    for number, node in enumerate(tree.nodes):
        if node.node_type not in _JOINING:
            continue
        outer, inner = tree.outer(number), tree.inner(number)
        if outer is not None and inner is not None:
            found.append(JoinPlace(number, _counted_node(tree, outer), _counted_node(tree, inner)))
    return tuple(found)


def _counted_node(tree: PlanTree, side: int) -> int:
    while isinstance(tree.nodes[side], _LOOKED_THROUGH) and len(below := tree.inputs(side)) == 1:
        side = below[0]
    return side
