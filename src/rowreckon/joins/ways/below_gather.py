"""A join as the processes of a Gather run it, each on its share of one side.

Source: try_partial_nestloop_path, try_partial_hashjoin_path and try_partial_mergejoin_path in
optimizer/path/joinpath.c, generate_gather_paths in optimizer/path/allpaths.c, releases 13 to 18. A partial join has the
workers of its outer path. A hash join, and a merge join that sorts, take the cheapest partial outer path alone; the
others take each.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from math import prod

from rowreckon.cost import CostSettings, PathCost, parallel_divisor, partial_rows
from rowreckon.cost.units import clamp_row_est
from rowreckon.joins.above.add_path import gather_replaces
from rowreckon.joins.facts.inputs import JoinInput, Point
from rowreckon.joins.ways.all_ways import JoinWay

OnTop = Callable[[Point, PathCost, int], PathCost]
"""From a point, a partial path and its workers to the cost at the place where the planner compares it."""


def partial_inputs(settings: CostSettings, join: JoinInput, rows: float) -> Iterator[JoinInput]:
    """The join in this order of the sides below a Gather, once for each number of workers that its outer side may have.

    `rows` is the join's estimated output. None where the outer side can't be shared.
    """
    if join.outer_made_unique is not None:
        return
    inner = replace(join.inner, paths=tuple(p._replace(other=None) for p in join.inner.paths if p.safe))
    for workers in dict.fromkeys(p.workers for p in join.outer.partial_paths):
        yield replace(
            join,
            inner=inner,
            workers=workers,
            processes=parallel_divisor(settings, workers),
            output_rows=partial_rows(settings, rows, workers),
            order=(),
        )


def partial_ways(join: JoinInput, ways: Iterable[JoinWay]) -> Iterator[JoinWay]:
    """Of the ways to run a partial join those that the planner tries with this number of workers."""
    first = join.outer.partial_paths[0].workers == join.workers
    for way in ways:
        follows_order = way.method == "nested_loop" or (way.method == "merge" and not way.sorts[0])
        if first or follows_order:
            yield replace(way, workers=join.workers)


def gathered(
    ways: Iterable[JoinWay], on_top: Callable[[JoinWay], OnTop], order: tuple[str, ...] = ()
) -> Iterator[JoinWay]:
    """The partial ways at the place where the planner compares them with those of one process, in an order if asked."""
    for way in ways:
        if way.existing:
            yield replace(way, cost=_topped(way, on_top(way)), whole=way.cost, gathered=True, order=order)


def _topped(way: JoinWay, on_top: OnTop) -> Callable[[Point], PathCost]:
    partial, workers = way.cost, way.workers
    return lambda point: on_top(point, partial(point), workers)


def consistent(ways: list[JoinWay], executed: JoinWay | None, estimate: Point, *, by_total: bool) -> list[JoinWay]:
    """The ways, without those below a Gather where one of these would have been taken at the estimates: as the planner
    took what it took, they were not at hand (a function that workers may not call, say)."""
    if executed is not None:
        if executed.gathered:
            return ways
        chosen = executed.cost(estimate)
        if not any(gather_replaces(w.cost(estimate), chosen, by_total=by_total) for w in ways if w.gathered):
            return ways
    return [w for w in ways if not w.gathered]


def unrounded_output(join: JoinInput, printed: float) -> float:
    """The join's estimated rows over all processes before they were rounded, at least to one row: what its clauses let
    through, where that is what was printed."""
    whole: float | None = join.selectivity * max(join.outer.rows, 1.0) * max(join.inner.rows, 1.0) or None
    if join.kind in ("Semi", "Anti", "Right Semi", "Right Anti"):
        whole = _stopped_output(join)
    if whole is None:
        return max(printed, 1.0)
    processes = join.processes if join.workers > 0 else 1.0
    alike = abs(clamp_row_est(whole / processes) * processes - printed) < 0.5
    return whole if alike else max(printed, 1.0)


def _stopped_output(join: JoinInput) -> float | None:
    """The estimated rows of a join that stops at a row's first match, before they were rounded; None where its clauses
    do not tell them. Source: calc_joinrel_size_estimate in optimizer/path/costsize.c."""
    turned = join.kind.startswith("Right")
    shares = [c.turned_semi if turned else c.semi for c in join.clauses]
    known = [share for share in shares if share is not None]
    if join.match_frac is None and len(known) < len(shares):
        return None
    share = prod(known) if join.match_frac is None else join.match_frac
    rows = max((join.inner if turned else join.outer).rows, 1.0)
    return rows * (share if "Semi" in join.kind else max(1.0 - share, 0.0))


def output_rows(join: JoinInput, expected: float) -> Callable[[Point], float]:
    """The join's rows over all processes at a point, as its estimate (`expected`) and the point's figures have it."""
    here, estimated = max(join.outer.rows, 1.0) * max(join.inner.rows, 1.0), unrounded_output(join, expected)
    kept_outer, kept_inner = join.kind in ("Semi", "Anti"), join.kind in ("Right Semi", "Right Anti")

    def rows_at(point: Point) -> float:
        if kept_outer or kept_inner:
            rows, planned = (point.outer, join.outer.rows) if kept_outer else (point.inner, join.inner.rows)
            if point.match_frac is None:
                return clamp_row_est(estimated * rows / max(planned, 1.0))
            share = point.match_frac if "Semi" in join.kind else 1.0 - point.match_frac
            return clamp_row_est(rows * share)
        rows = estimated * point.ratio * max(point.outer, 1.0) * max(point.inner, 1.0) / here
        if join.kind in ("Left", "Full"):
            rows = max(rows, point.outer)
        if join.kind in ("Right", "Full"):
            rows = max(rows, point.inner)
        return clamp_row_est(rows)

    return rows_at
