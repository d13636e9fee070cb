"""What is wanted of a join's output: only the first rows of it, and perhaps in an order.

A LIMIT wants a fixed number of rows, whatever the estimate; their fraction depends on how many the join gives. Where an
ORDER BY, a grouping or a merge join above wants an order, a way without that order would be sorted first; a grouping
may be done by hashing as well, which needs all rows before it gives the first.
Source: preprocess_limit, create_ordered_paths and add_paths_to_grouping_rel in optimizer/plan/planner.c,
get_cheapest_fractional_path and match_unsorted_outer in optimizer/path, releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace

from rowreckon.cost import STD_FUZZ_FACTOR, CostSettings, PathCost, cost_sort, fractional_cost
from rowreckon.cost.units import clamp_row_est
from rowreckon.document.audit import Method
from rowreckon.document.base import METHOD_NAMES
from rowreckon.frozen import frozen
from rowreckon.joins.above.top_above import TopAbove
from rowreckon.joins.facts.inputs import JoinInput, Point
from rowreckon.joins.facts.wanted_above import OrderAbove, wanted_share
from rowreckon.joins.ways.all_ways import CostAt, JoinWay
from rowreckon.joins.ways.below_gather import unrounded_output
from rowreckon.joins.ways.unseen_index import UnseenWay
from rowreckon.plan.tree import PlanTree

_ENTRY_BYTES = 64
"""What a group's entry of a hash table takes beside its key and its aggregates' states, about (hash_agg_entry_size in
executor/nodeAgg.c)."""
_IN_PART = "the order of a {}'s rows would spare a part of the sort above, which has no price here"
_FIRST_SHARED = "the first rows of an order may be brought by processes in ways that have no price here"
_ORDERED_UNSEEN = "the plan does not tell whether an index gives rows in the order that is wanted"


@frozen
class Wanted:
    """`share` times the estimated output are fetched, a number of rows that stays the same; None: all of any output.

    `above` is the order that is wanted, None where none is; `width` that of the output (bytes).
    `top` is what is made of all rows of a query's uppermost join, where that is told.
    """

    share: float | None
    above: OrderAbove | None
    width: int
    top: TopAbove | None = None

    @property
    def order(self) -> tuple[str, ...]:
        """The order that is wanted (empty: none)."""
        return () if self.above is None else self.above.order

    @property
    def taken(self) -> tuple[str, ...]:
        """The order in which the executed join delivers, as far as something above relies on it."""
        return self.order if self.above is not None and self.above.delivered else ()


def wanted_of(tree: PlanTree, number: int, above: OrderAbove | None) -> Wanted:
    """What is wanted of the join at `number`, in an order if it is given."""
    of = number if above is None or above.sort is None else above.sort
    return Wanted(wanted_share(tree, of), above, int(tree.nodes[number].plan_width or 0))


def sorted_in_part(ways: list[JoinWay], wanted: Wanted) -> tuple[UnseenWay, ...]:
    """The ways that give the first of several columns that are sorted by: what they cost at least, without a sort."""
    if wanted.above is None or not wanted.above.more:
        return ()
    giving = [w for w in ways if w.existing and _in_order(w, wanted)]
    return tuple(
        UnseenWay(method, _IN_PART.format(METHOD_NAMES[method]), _least([w for w in giving if w.method == method]))
        for method in dict.fromkeys(w.method for w in giving)
    )


def sorted_unseen(
    wanted: Wanted, join: JoinInput, printed: tuple[float, float], excluded: Collection[Method]
) -> tuple[UnseenWay, ...]:
    """A nested loop over an index that gives the order in which the first rows are wanted: no plan tells of one.

    `printed` are the executed join's startup and total cost. At the estimates the loop was not taken; it may end the
    sooner, the more rows come of the join.
    """
    if wanted.share is None or not wanted.order or "nested_loop" in excluded:
        return ()
    startup, total = printed
    bound = (startup + (total - startup) * min(wanted.share, 1.0)) / STD_FUZZ_FACTOR

    def low(point: Point) -> float:
        grown = point.outer * point.inner * point.ratio / max(join.outer.rows * join.inner.rows, 1.0)
        return bound / max(grown, 1.0)

    return (UnseenWay("nested_loop", _ORDERED_UNSEEN, low),)


def first_rows_shared(methods: Collection[Method]) -> tuple[UnseenWay, ...]:
    """Where a LIMIT takes the first rows, in an order, of what processes share: each of these methods may cost less
    than is known, since a sort or a Gather Merge may stand at any place below (generate_useful_gather_paths in
    optimizer/path/allpaths.c, create_ordered_paths in optimizer/plan/planner.c)."""
    return tuple(UnseenWay(method, _FIRST_SHARED, _nothing) for method in methods)


def _nothing(point: Point) -> float:
    return 0.0


def _least(ways: list[JoinWay]) -> Callable[[Point], float]:
    return lambda point: min((w.whole or w.cost)(point).total_cost for w in ways)


def as_wanted(settings: CostSettings, join: JoinInput, ways: list[JoinWay], wanted: Wanted) -> list[JoinWay]:
    """The ways with the cost of what is wanted of them; `JoinWay.whole` keeps the whole one."""
    if wanted.share is None and not wanted.order:
        return ways
    expected = max(join.output_rows * (join.processes if join.workers > 0 else 1.0), 1.0)
    fetched = None if wanted.share is None else max(wanted.share * expected, 1.0)
    rows_at = _output_rows(join, unrounded_output(join, expected))
    found: list[JoinWay] = []
    for way in ways:
        cost, unordered = way.cost, bool(wanted.order) and not _delivers(way, wanted)
        if unordered:
            cost = _put_in_order(settings, cost, rows_at, fetched, wanted)
        if fetched is not None:
            cost = _first_rows(cost, rows_at, fetched)
        found.append(replace(way, cost=cost, whole=way.whole or way.cost, ordered_above=unordered))
    return found


def _delivers(way: JoinWay, wanted: Wanted) -> bool:
    return wanted.above is not None and not wanted.above.more and _in_order(way, wanted)


def _in_order(way: JoinWay, wanted: Wanted) -> bool:
    return wanted.order[0] in way.order


def _put_in_order(
    settings: CostSettings, whole: CostAt, rows_at: Callable[[Point], float], fetched: float | None, wanted: Wanted
) -> CostAt:
    """A way's cost once its rows are sorted, or are grouped by hashing where that will do, which costs no more than to
    group them in order, and starts when all have come. Groups that do not fit into memory are taken to be sorted."""
    width = max(wanted.width, 1)
    groups = None if wanted.above is None else wanted.above.groups
    hashes = groups is not None and groups * (width + _ENTRY_BYTES) <= settings.hash_mem_bytes

    def cost(point: Point) -> PathCost:
        path = whole(point)
        if hashes:
            return path._replace(startup_cost=path.total_cost)
        kept = path._replace(rows=rows_at(point), width=width)
        return cost_sort(settings, kept, -1.0 if fetched is None else fetched)._replace(kind=path.kind)

    return cost


def _first_rows(whole: CostAt, rows_at: Callable[[Point], float], fetched: float) -> CostAt:
    """A way's cost for the first `fetched` rows."""

    def cost(point: Point) -> PathCost:
        path, rows = whole(point), rows_at(point)
        return path if fetched >= rows else path._replace(total_cost=fractional_cost(path, fetched / rows))

    return cost


def _output_rows(join: JoinInput, expected: float) -> Callable[[Point], float]:
    """The join's rows at a point, over all processes."""
    stops = join.kind in ("Semi", "Anti")

    def rows_at(point: Point) -> float:
        moved = point.outer / max(join.outer.rows, 1.0)
        if not stops:
            moved *= point.ratio * max(point.inner, 1.0) / max(join.inner.rows, 1.0)
        return clamp_row_est(expected * moved)

    return rows_at
