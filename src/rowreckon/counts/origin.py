"""Where an error enters: the part of a node's error that its inputs do not explain.

A join multiplies its inputs, so their ratios are divided out and what remains is the join's own selectivity error.
Ratios are intervals; what is reported is what remains between the nearest ends, so that rounding never invents an
origin.
"""

from __future__ import annotations

from math import log

from rowreckon.counts.interval import Interval
from rowreckon.counts.q_error import Direction, divide, multiply, nearest_error
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.frozen import frozen
from rowreckon.plan.nodes import (
    AggregateNode,
    BitmapCombineNode,
    BitmapHeapScanNode,
    BitmapIndexScanNode,
    CteScanNode,
    JoinNode,
    LimitNode,
    MaterializeNode,
    SetOpNode,
    SortNode,
)
from rowreckon.plan.tree import PlanTree

_LEAST_FACTOR = 2.0  # an error smaller than this enters everywhere and explains nothing
_KEPT = 6  # origins remembered per subtree: more than any join needs, and few enough to stay linear


@frozen
class Entering:
    """The error that enters at one node. `factor` ≥ 1; `reported` is False where children cannot be divided out."""

    node: int
    factor: float
    direction: Direction
    reported: bool


@frozen
class Origins:
    """Per node: the error entering there (or None), and the largest errors entering at or below it."""

    here: tuple[Entering | None, ...]
    below: tuple[tuple[Entering, ...], ...]

    def of(self, *numbers: int) -> tuple[Entering, ...]:
        """The errors that explain the given subtrees' misestimates, largest first.

        Small ones beside a large one are left out: they would not change the story.
        """
        pool = sorted({e for n in numbers for e in self.below[n]}, key=lambda e: (-e.factor, e.node))
        if not pool:
            return ()
        floor = max(_LEAST_FACTOR, pool[0].factor ** 0.25)
        return tuple(e for e in pool if e.factor >= floor)

    def explaining(self, reckoned: ReckonedTree, number: int) -> tuple[Entering, ...]:
        """Those of a node, none where all together make up less than half of an error there, by its logarithm.

        The larger part then entered where counts do not tell, as above a side that a merge join left unread.
        """
        found = self.of(number)
        errors = [_error(reckoned, n) for n in (number, *reckoned.tree.inputs(number))]
        return found if 2 * sum(log(e.factor) for e in found) >= log(max(errors)) else ()


def find_origins(reckoned: ReckonedTree) -> Origins:
    """The error that enters at each node; linear in nodes."""
    tree = reckoned.tree
    here: list[Entering | None] = [None] * len(tree)
    below: list[tuple[Entering, ...]] = [()] * len(tree)
    ctes = _cte_roots(tree)
    for number in range(len(tree) - 1, -1, -1):
        here[number] = _entering(reckoned, number, ctes)
        own = here[number]
        gathered: list[Entering] = []
        for child in tree.children[number]:
            if below[child] and _flows(tree, child):
                gathered.extend(below[child])
        cte = _cte_of(tree, number, ctes) if ctes else None
        if cte is not None:
            gathered.extend(below[cte])
        if own is not None and own.factor >= _LEAST_FACTOR:
            gathered.append(own)
        if len(gathered) > 1:
            gathered = sorted(set(gathered), key=lambda e: (-e.factor, e.node))[:_KEPT]
        below[number] = tuple(gathered)
    return Origins(here=tuple(here), below=tuple(below))


def _error(reckoned: ReckonedTree, number: int) -> float:
    """By what factor a node's rows are off at least; 1 where they were not counted."""
    ratio = reckoned.counts[number].ratio
    return 1.0 if ratio is None else nearest_error(ratio)[0]


def _flows(tree: PlanTree, child: int) -> bool:
    """Whether a child's rows flow into its parent: a subquery that is only asked for a value explains no count."""
    return tree.nodes[child].parent_relationship not in ("InitPlan", "SubPlan")


def _cte_roots(tree: PlanTree) -> dict[str, int]:
    roots: dict[str, int] = {}
    for number, node in enumerate(tree.nodes):
        if node.subplan_name is not None and node.subplan_name.startswith("CTE "):
            roots[node.subplan_name.removeprefix("CTE ")] = number
    return roots


def _cte_of(tree: PlanTree, number: int, ctes: dict[str, int]) -> int | None:
    node = tree.nodes[number]
    if isinstance(node, CteScanNode) and node.node_type == "CTE Scan" and node.cte_name is not None:
        return ctes.get(node.cte_name)
    return None


def _entering(reckoned: ReckonedTree, number: int, ctes: dict[str, int]) -> Entering | None:
    tree = reckoned.tree
    node = tree.nodes[number]
    ratio = reckoned.counts[number].ratio
    if ratio is None or isinstance(node, (BitmapIndexScanNode, BitmapCombineNode, LimitNode)):
        return None  # a bitmap's error is the heap scan's, and a limit's estimate is a wish
    if not tree.children[number] and not ctes:
        return _as_entering(number, ratio, reported=True)
    cte = _cte_of(tree, number, ctes)
    inputs = (cte,) if cte is not None else tree.inputs(number)
    if not inputs or isinstance(node, BitmapHeapScanNode):
        return _as_entering(number, ratio, reported=True)
    if isinstance(node, (AggregateNode, SetOpNode)) or node.node_type in ("Unique", "Recursive Union"):
        return _groups_entering(reckoned, number, ratio, inputs)
    from_below = _ratio_of_inputs(reckoned, number, inputs)
    if from_below is None:
        return _ended_merge_entering(reckoned, number, ratio) if node.node_type == "Merge Join" else None
    rest = min((divide(ratio, r) for r in from_below), key=lambda r: nearest_error(r)[0])
    return _as_entering(number, rest, reported=True)


def _as_entering(number: int, ratio: Interval, *, reported: bool) -> Entering | None:
    factor, direction = nearest_error(ratio)
    return Entering(node=number, factor=factor, direction=direction, reported=reported)


def _groups_entering(reckoned: ReckonedTree, number: int, ratio: Interval, inputs: tuple[int, ...]) -> Entering | None:
    """The number of groups does not follow from the number of rows: an error is the grouping's own only where its
    input was estimated well, and then it is not a factor that can be divided out further up."""
    for child in inputs:
        below = reckoned.counts[child].ratio
        if below is None or nearest_error(below)[0] >= _LEAST_FACTOR:
            return None
    return _as_entering(number, ratio, reported=False)


def _ended_merge_entering(reckoned: ReckonedTree, number: int, ratio: Interval) -> Entering | None:
    """The error of an inner merge join that left the tail of a side unread, which holds no partner for any row.

    Told apart from its inputs' only where as many rows were read as were expected, and never as a proven factor.
    """
    node = reckoned.tree.nodes[number]
    if not isinstance(node, JoinNode) or node.join_type != "Inner":
        return None
    for child in reckoned.tree.inputs(number):
        below = _full_ratio(reckoned, child) or _read_ratio(reckoned, child)
        if below is None:
            return None
        if nearest_error(below)[0] >= _LEAST_FACTOR:
            return None
    return _as_entering(number, ratio, reported=False)


def _read_ratio(reckoned: ReckonedTree, number: int) -> Interval | None:
    """The ratio of a side of which a tail may be unread: of all rows where a sort took them in, else of those read.

    What a merge join leaves unread finds no partner, so that its output is that of both sides in full.
    """
    count, below = reckoned.counts[number], reckoned.tree.inputs(number)
    if count.state != "at_least" or count.actual is None or not count.estimate:
        return None
    if isinstance(reckoned.tree.nodes[number], SortNode) and len(below) == 1:
        return _full_ratio(reckoned, below[0])
    return Interval(count.actual / count.estimate, count.actual / count.estimate)


def _ratio_of_inputs(reckoned: ReckonedTree, number: int, inputs: tuple[int, ...]) -> list[Interval] | None:
    """What the inputs alone would have done to the count: one reading, or several where the join type leaves it open.

    None above a censored input, whose ratio is unknown.
    """
    node = reckoned.tree.nodes[number]
    if isinstance(node, JoinNode):
        outer = _side_ratio(reckoned, number, "Outer")
        inner = _side_ratio(reckoned, number, "Inner")
        if node.join_type in ("Semi", "Anti"):
            return None if outer is None else [outer]
        if node.join_type in ("Right Semi", "Right Anti"):
            return None if inner is None else [inner]
        if outer is None or inner is None:
            return None
        both = multiply(outer, inner)
        if node.join_type == "Left":
            return [both, outer]  # unmatched outer rows come through whatever the inner side holds
        if node.join_type == "Right":
            return [both, inner]
        if node.join_type == "Full":
            return [both, outer, inner]
        return [both]
    if len(inputs) == 1:
        ratio = _full_ratio(reckoned, inputs[0])
        return None if ratio is None else [ratio]
    total = _summed_ratio(reckoned, inputs)
    return None if total is None else [total]


def _side_ratio(reckoned: ReckonedTree, number: int, relationship: str) -> Interval | None:
    side = reckoned.tree.side(number, relationship)
    return None if side is None else _full_ratio(reckoned, side)


def _full_ratio(reckoned: ReckonedTree, number: int) -> Interval | None:
    """The ratio of a node that was read to its end: of a lower bound nothing can be divided out.

    What a merge join goes back over was given to it once by what is below.
    """
    count = reckoned.counts[number]
    if count.state == "reread" and isinstance(reckoned.tree.nodes[number], (SortNode, MaterializeNode)):
        below = reckoned.tree.inputs(number)
        return _full_ratio(reckoned, below[0]) if len(below) == 1 else None
    return count.ratio if count.state == "exact" else None


def _summed_ratio(reckoned: ReckonedTree, inputs: tuple[int, ...]) -> Interval | None:
    """actual ÷ estimate of several members together; members that never ran count for nothing on either side."""
    actual_low = actual_high = estimate_low = estimate_high = 0.0
    for child in inputs:
        count = reckoned.counts[child]
        if count.state == "not_run":
            continue
        if count.state != "exact" or count.actual_interval is None or count.estimate_interval is None:
            return None
        actual_low += count.actual_interval.low
        actual_high += count.actual_interval.high
        estimate_low += count.estimate_interval.low
        estimate_high += count.estimate_interval.high
    return Interval(
        max(actual_low, 1.0) / max(estimate_high, 1.0),
        max(actual_high, 1.0) / max(estimate_low, 1.0),
    )
