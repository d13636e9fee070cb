"""A join's switch points and margin, from its model: along the outer rows twice, and along the inner rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from math import ceil, exp, floor, inf, log

from rowreckon.cost import STD_FUZZ_FACTOR, PathCost
from rowreckon.document.audit import Basis, Margin, Method, SwitchPoint
from rowreckon.frozen import frozen
from rowreckon.joins.facts.inputs import Point
from rowreckon.joins.verdict.points import Points
from rowreckon.joins.verdict.prices import Prices, kept_within
from rowreckon.joins.verdict.verdict import HOPELESS, World
from rowreckon.joins.ways.borders import Lead, LeadChange, ends_of, find_borders, flip_interval, grid, sounded
from rowreckon.joins.ways.model import JoinModel

_BEYOND = 1000.0
_LEAST_HIGH = 1.0e5
_ABSURD = 20.0
"""A way this many times dearer than the cheapest at both ends, the estimate and the actual is not tried between."""
_MOST_ROWS = 1.0e9
_WOBBLE = 1.1
_CLOSE = 0.12
_WIDEST = 16.0
"""A border is given where the evidence leaves it between rows that are at most so many times apart. What it leaves open
are mostly two things that multiply: how many tuples the inner side has, and how wide they are, which is good for a
factor of two. Were the truth equally likely all over by ratio, a border in the middle of a span of sixteen would be
within a factor of two of it as often as not, and more often the narrower the span is (common practice, no source).
"""


@frozen
class Span:
    """The rows between which a border lies, from 0 where that may be anywhere; `placed` if one figure stands for it."""

    low: float
    high: float
    placed: bool


@frozen
class OuterLine:
    """The borders along the outer rows (planner rows) with the inner side at one place, and the ways that matter.

    `spans` say for each border between which rows the evidence leaves it.
    """

    inner_actual: bool
    borders: tuple[LeadChange, ...]
    model: JoinModel
    spans: tuple[Span, ...] = ()


def outer_line(world: World, *, inner_actual: bool) -> OuterLine:
    """The borders of one world along the outer rows."""
    model, points = world
    marks, highest = _marks(points), _highest(points)

    def at(outer: float) -> Point:
        return points.along(outer, inner_actual=inner_actual)

    known = {n: Prices(model, at(n)) for n in ends_of(marks, highest)}
    kept = kept_within(known.values(), _ABSURD)
    ways = model.deciding()
    near = model.with_ways(tuple(ways[n] for n in kept))
    priced = {rows: prices.only(near, kept) for rows, prices in known.items()}

    def lead(outer: float) -> Lead:
        if outer not in priced:
            priced[outer] = Prices(near, at(outer))
        return priced[outer].lead()

    rows = sounded(marks, highest, lead, model.kinks())
    lean = near.with_ways(tuple(near.ways[n] for n in kept_within(priced.values(), HOPELESS)))
    led = [priced[n].winner() for n in rows]
    return OuterLine(inner_actual, tuple(find_borders(lambda n: lean.leader(at(n)), rows, led)), lean)


def outer_lines(worlds: Sequence[World], *, shown_inner_differs: bool) -> tuple[OuterLine, ...]:
    """The line with the inner side at its estimate, and at its actual where that differs.

    The first world gives the borders; where others put them elsewhere they stand in the middle, by ratio.
    """
    points = worlds[0][1]
    lines = [outer_line(worlds[0], inner_actual=False)]
    if points.actual is not None and (shown_inner_differs or points.inner_moves):
        lines.append(outer_line(worlds[0], inner_actual=True))
    return tuple(_placed(worlds, line) for line in lines)


def _placed(worlds: Sequence[World], line: OuterLine) -> OuterLine:
    found = [_interval(worlds, line, border) for border in line.borders]
    borders = tuple(moved for moved, _ in found)
    if len(worlds) == 1 or any(one.rows >= two.rows for one, two in pairwise(borders)):
        borders = line.borders
    return replace(line, borders=borders, spans=tuple(span for _, span in found))


def switch_points(
    worlds: Sequence[World], lines: Sequence[OuterLine], *, scale: float, inner_scale: float
) -> tuple[SwitchPoint, ...]:
    """All switch points, in totals: `scale` takes the planner's outer rows to totals, `inner_scale` the inner's.

    The first world gave the lines, the others give their intervals.
    """
    found: list[SwitchPoint] = []
    for line in lines:
        found += _set(worlds, line, scale=scale, inner_scale=inner_scale)
    if len(lines) > 1:
        found += _along_inner(*worlds[0], scale=inner_scale)
    return tuple(found)


def margin(world: World, line: OuterLine, method: Method) -> Margin:
    """How far the outer rows may grow and shrink from the estimate before the executed method loses the lead."""
    model, points = world
    start = points.estimate.outer
    if model.leader(points.estimate) != method:
        return Margin()
    above = [b.rows for b in line.borders if b.rows > start and b.below == method]
    below = [b.rows for b in line.borders if b.rows <= start and b.above == method]
    return Margin(
        up=min(above) / start if above and start > 0.0 else None,
        down=start / max(max(below) - 1.0, 1.0) if below else None,
    )


def _lead(paths: Sequence[tuple[Method, PathCost]]) -> Lead:
    """The method of the cheapest path, and the cheapest of any other method."""
    if not paths:
        return Lead(None, inf, inf)
    method, path = min(paths, key=lambda f: f[1].total_cost)
    return Lead(method, path.total_cost, min((p.total_cost for m, p in paths if m != method), default=inf))


def _set(worlds: Sequence[World], line: OuterLine, *, scale: float, inner_scale: float) -> list[SwitchPoint]:
    points = worlds[0][1]
    at_actual = line.inner_actual and points.actual is not None
    inner = points.actual.inner if at_actual and points.actual is not None else points.estimate.inner
    found: list[SwitchPoint] = []
    for border, span in zip(line.borders, line.spans, strict=True):
        if span.low <= 0.0:
            continue  # a border that may lie anywhere is no border
        found.append(
            SwitchPoint.model_validate(
                {
                    "from": border.below,
                    "to": border.above,
                    "outer_rows": border.rows * scale if span.placed else None,
                    "low": span.low * scale,
                    "high": span.high * scale,
                    "basis": _basis(line.model, border),
                    "inner_at": "actual" if line.inner_actual else "estimate",
                    "inner_rows": inner * inner_scale,
                }
            )
        )
    return found


def _along_inner(model: JoinModel, points: Points, *, scale: float) -> list[SwitchPoint]:
    """Borders along the inner rows, the outer side at its actual."""
    there = points.actual
    assert there is not None
    fixed: Point = there

    def leader(rows: float) -> Method | None:
        return model.leader(fixed._replace(inner=rows))

    start, end = points.estimate.inner, there.inner
    if abs(start - end) <= 0.01 * start:
        return []
    rows = grid([start, end], min(max(start, end, _LEAST_HIGH / _BEYOND) * _BEYOND, _MOST_ROWS))
    return [
        SwitchPoint.model_validate(
            {
                "from": b.below,
                "to": b.above,
                "low": b.rows * scale,
                "high": b.rows * scale,
                "basis": _basis(model, b),
                "inner_at": "actual",
                "along": "inner",
                "inner_from_rows": b.rows * scale,
            }
        )
        for b in find_borders(leader, rows, [leader(n) for n in rows])
    ]


def _interval(worlds: Sequence[World], line: OuterLine, border: LeadChange) -> tuple[LeadChange, Span]:
    """The border in the middle of what likely worlds leave of it, and the first and last row that any world does.

    Steps make the lead wobble too.
    """
    points = worlds[0][1]

    def leads(rows: float) -> bool:
        return line.model.leader(points.along(rows, inner_actual=line.inner_actual)) == border.below

    methods = {border.below, border.above}
    if _may_move(worlds[0][0], points.along(border.rows, inner_actual=line.inner_actual), methods):
        return border, Span(0.0, border.rows, placed=False)
    low = high = border.rows
    if "nested_loop" in methods and len(worlds) == 1:  # whose page counts come in steps
        low, high = flip_interval(leads, border.rows)
    least, most = low, high
    for other, there in worlds[1:]:
        if (other.free_order and "merge" not in methods) or (other.full_buckets and "hash" not in methods):
            continue  # what sets this world apart does not touch these two
        near = _flip(other, there, border, inner_actual=line.inner_actual)
        if near is None:
            return border, Span(0.0, border.rows, placed=False)  # so far away that the border is not worth a figure
        least, most = min(least, near[0]), max(most, near[1])
        if not (other.free_order or other.full_buckets):
            low, high = min(low, near[0]), max(high, near[1])
    if high > low * _WIDEST:
        return border, Span(least, most, placed=False)
    if high > low * _WOBBLE:
        border = LeadChange(border.below, border.above, float(ceil((low * high) ** 0.5)))
    return border, Span(least, most, placed=True)


def _may_move(model: JoinModel, point: Point, methods: set[Method]) -> bool:
    """Whether an index that may be there unseen could lead at a border."""
    unseen = [way for way in model.unseen if way.method in methods]
    return bool(unseen) and STD_FUZZ_FACTOR * min(way.low(point) for way in unseen) < min(model.costs(point).values())


def _flip(model: JoinModel, points: Points, border: LeadChange, *, inner_actual: bool) -> tuple[float, float] | None:
    """Between which rows, close by, another world puts the border between the same two; None where far from here."""
    pair = model.with_ways(tuple(w for w in model.ways if w.method in (border.below, border.above)))

    def ahead(rows: float) -> tuple[bool, float]:
        """Whether the method below leads, and by how much the methods' costs differ (logarithm of their ratio)."""
        point = points.along(rows, inner_actual=inner_actual)
        paths = pair.paths(point)
        lead = _lead(paths)
        return pair.winner(paths, point) == border.below, log(
            lead.next / lead.cost
        ) if 0.0 < lead.cost < lead.next < inf else 0.0

    least, most = max(floor(border.rows / _WIDEST), 1.0), float(floor(border.rows * _WIDEST)) + 1.0
    leads, apart = below_leads, _ = ahead(border.rows)
    low = high = border.rows
    slope = 1.0  # costs grow in proportion to the rows at most: the lead is not lost before its logarithm is used up
    while leads == below_leads:
        if (high >= most) if below_leads else (low <= least):
            return None
        step = exp(min(apart / slope, 2.0)) * (1.0 + _CLOSE)
        before = apart
        if below_leads:
            low, high = high, min(high * step, most)
        else:
            low, high = max(low / step, least), low
        leads, apart = ahead(high if below_leads else low)
        slope = min(max((before - apart) / log(step), 0.2), 1.0)
    low, high = float(floor(low)), float(ceil(high))
    while high - low > max(1.0, _CLOSE * low):
        middle = float(round((low * high) ** 0.5))
        if ahead(middle)[0]:
            low = middle
        else:
            high = middle
    return low, high


def _basis(model: JoinModel, border: LeadChange) -> Basis:
    weakest: Basis = "planner"
    rank = {"planner": 0, "catalog": 1, "plan": 2}
    for way in model.deciding():
        if way.method in (border.below, border.above) and rank[way.basis] > rank[weakest]:
            weakest = way.basis
    return weakest


def _marks(points: Points) -> list[float]:
    return [points.estimate.outer] + ([points.actual.outer] if points.actual is not None else [])


def _highest(points: Points) -> float:
    return min(max(max(_marks(points)) * _BEYOND, _LEAST_HIGH), _MOST_ROWS)
