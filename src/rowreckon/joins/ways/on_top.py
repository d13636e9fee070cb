"""What a partial join costs at the place where the planner compares it with a join of one process.

A Gather brings the rows together; below an aggregate each process may aggregate its own rows first, below an ORDER BY
each may sort its own. What one process alone would pay there for the same rows is taken off again, so that a join of
one process is compared by its own cost.
Source: cost_gather, cost_gather_merge and cost_agg in optimizer/path/costsize.c, create_partial_grouping_paths in
optimizer/plan/planner.c, releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from math import log

from rowreckon.cost import (
    CostSettings,
    PathCost,
    cost_gather,
    cost_gather_merge,
    cost_sort,
    gather_merge_rows,
    gather_rows,
    partial_rows,
)
from rowreckon.cost.capabilities import has_exact_gather_merge_rows
from rowreckon.cost.units import clamp_row_est
from rowreckon.joins.facts.above import Above
from rowreckon.joins.facts.inputs import Point
from rowreckon.joins.ways.all_ways import JoinWay
from rowreckon.joins.ways.below_gather import OnTop

RowsAt = Callable[[Point], float]


def on_top(settings: CostSettings, above: Above, rows_at: RowsAt, estimate: Point, actual: Point | None) -> OnTop:
    """The cost on top of a partial join; `rows_at` are the join's rows over all processes."""
    if above.kind == "aggregate" and above.shared is not False:
        return _aggregated(settings, above, rows_at, _groups_at(above, rows_at, estimate, actual))
    if above.kind == "sort":
        return _ordered(settings, above, rows_at)

    def plain(point: Point, path: PathCost, workers: int) -> PathCost:
        return cost_gather(settings, path, rows_at(point))

    return plain


def _aggregated(settings: CostSettings, above: Above, rows_at: RowsAt, groups_at: RowsAt) -> OnTop:
    combined = settings.cpu_operator_cost * (above.calls + above.columns)

    def aggregated(point: Point, path: PathCost, workers: int) -> PathCost:
        rows, groups = rows_at(point), groups_at(point)
        part = partial_rows(settings, rows, workers)
        own_groups = min(groups, part)
        handed = own_groups * workers
        if has_exact_gather_merge_rows(settings.server_major):
            handed = gather_rows(settings, own_groups, workers)
        alone = above.per_row * rows + settings.cpu_tuple_cost * groups
        shared = above.per_row * part + settings.cpu_tuple_cost * own_groups
        last = combined * handed + settings.cpu_tuple_cost * groups
        more = shared + settings.parallel_setup_cost + settings.parallel_tuple_cost * handed + last - alone
        straight = cost_gather(settings, path, rows)
        total = path.total_cost + more
        if total >= straight.total_cost:
            return straight
        return PathCost(total, total, straight.rows, straight.width, total, total, straight.disabled_nodes, "Gather")

    return aggregated


def _groups_at(above: Above, rows_at: RowsAt, estimate: Point, actual: Point | None) -> RowsAt:
    """The groups at a point: between the estimate and the actual they move by powers of the rows, beyond not at all."""
    here = max(rows_at(estimate), 1.0)
    there = max(rows_at(actual), 1.0) if actual is not None else here
    known = above.groups_actual if above.groups_actual is not None else above.groups
    if abs(log(there / here)) < 0.01:
        return lambda point: above.groups

    def groups(point: Point) -> float:
        rows = max(rows_at(point), 1.0)
        way = min(max(log(rows / here) / log(there / here), 0.0), 1.0)
        return clamp_row_est(min(above.groups * (known / above.groups) ** way, rows))

    return groups


def _ordered(settings: CostSettings, above: Above, rows_at: RowsAt) -> OnTop:
    def ordered(point: Point, path: PathCost, workers: int) -> PathCost:
        rows = rows_at(point)
        straight = cost_gather(settings, path, rows)
        part = path._replace(rows=partial_rows(settings, rows, workers), width=above.width)
        merged_rows = gather_merge_rows(settings, part.rows, workers)
        merged = cost_gather_merge(settings, cost_sort(settings, part), merged_rows, workers)
        free = PathCost(0.0, 0.0, rows, above.width, 0.0, 0.0)
        total = merged.total_cost - cost_sort(settings, free).total_cost
        if merged.disabled_nodes or total >= straight.total_cost:
            return straight
        startup = min(straight.startup_cost, total)
        return straight._replace(startup_cost=startup, total_cost=total, rescan_total_cost=total)

    return ordered


def merged_on_top(
    settings: CostSettings, width: int, rows_at: RowsAt, order: tuple[str, ...]
) -> Callable[[JoinWay], OnTop]:
    """A Gather Merge over a partial join where its order is taken as it comes; `width` is that of its rows (bytes)."""

    def of(way: JoinWay) -> OnTop:
        sorts = not order or order[0] not in way.order

        def merged(point: Point, path: PathCost, workers: int) -> PathCost:
            rows = rows_at(point)
            part = path._replace(rows=partial_rows(settings, rows, workers), width=width)
            if sorts:
                part = cost_sort(settings, part)
                rows = gather_merge_rows(settings, part.rows, workers)
            return cost_gather_merge(settings, part, rows, workers)._replace(kind="Gather")

        return merged

    return of


def with_target(settings: CostSettings, ways: Iterable[JoinWay], calls: int, rows_at: RowsAt) -> Iterator[JoinWay]:
    """The ways of a join that evaluates expressions for its output: so many operator calls for each row."""
    per_row = settings.cpu_operator_cost * calls

    def costed(own: Callable[[Point], PathCost], workers: int) -> Callable[[Point], PathCost]:
        def cost(point: Point) -> PathCost:
            path = own(point)
            more = per_row * partial_rows(settings, rows_at(point), workers)
            return path._replace(total_cost=path.total_cost + more, rescan_total_cost=path.rescan_total_cost + more)

        return cost

    for way in ways:
        yield replace(way, cost=costed(way.cost, way.workers))
