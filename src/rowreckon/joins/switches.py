"""A join's switch points and margin, from its model: along the outer rows twice, and along the inner rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import floor

from rowreckon.report.document import Basis, Margin, Method, SwitchPoint

from .borders import Border, find_borders, flip_interval, grid
from .inputs import Point
from .method_costs import MOST_PLAY
from .model import JoinModel
from .points import Points
from .verdict import World

_BEYOND = 1000.0
_LEAST_HIGH = 1.0e6
_MOST_ROWS = 1.0e9


def switch_points(
    worlds: Sequence[World], *, scale: float, inner_scale: float, shown_inner_differs: bool
) -> tuple[SwitchPoint, ...]:
    """All switch points, in totals: `scale` takes the planner's outer rows to totals, `inner_scale` the inner's.

    The first world gives the figures, the others their intervals.
    """
    model, points = worlds[0]
    found = _set(worlds, inner_actual=False, scale=scale, inner_scale=inner_scale)
    if points.actual is not None and (shown_inner_differs or points.inner_moves):
        found += _set(worlds, inner_actual=True, scale=scale, inner_scale=inner_scale)
        found += _along_inner(model, points, scale=inner_scale)
    return tuple(found)


def margin(model: JoinModel, points: Points, method: Method) -> Margin:
    """How far the outer rows may grow and shrink from the estimate before the executed method loses the lead."""
    start = points.estimate.outer
    if model.leader(points.estimate) != method:
        return Margin()
    chain = outer_borders(model, points, inner_actual=False)
    above = [b.rows for b in chain if b.rows > start and b.below == method]
    below = [b.rows for b in chain if b.rows <= start and b.above == method]
    return Margin(
        up=min(above) / start if above else None,
        down=start / max(max(below) - 1.0, 1.0) if below else None,
    )


def outer_borders(model: JoinModel, points: Points, *, inner_actual: bool) -> list[Border]:
    """The borders along the outer rows (planner rows)."""

    def leader(rows: float) -> Method | None:
        return model.leader(points.along(rows, inner_actual=inner_actual))

    return find_borders(leader, grid(_marks(points), _highest(points)))


def _set(worlds: Sequence[World], *, inner_actual: bool, scale: float, inner_scale: float) -> list[SwitchPoint]:
    model, points = worlds[0]
    inner = points.actual.inner if inner_actual and points.actual is not None else points.estimate.inner
    found: list[SwitchPoint] = []
    for border in outer_borders(model, points, inner_actual=inner_actual):
        low, high = _interval(worlds, border, inner_actual=inner_actual)
        if high > MOST_PLAY**2 * low:
            continue  # a border that may lie anywhere is no border
        found.append(
            SwitchPoint.model_validate(
                {
                    "from": border.below,
                    "to": border.above,
                    "outer_rows": border.rows * scale,
                    "low": low * scale,
                    "high": high * scale,
                    "basis": _basis(model, border),
                    "inner_at": "actual" if inner_actual else "estimate",
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
        for b in find_borders(leader, rows)
    ]


def _interval(worlds: Sequence[World], border: Border, *, inner_actual: bool) -> tuple[float, float]:
    """What the evidence leaves of a border: where steps make the lead wobble, and where other worlds put it."""
    model, points = worlds[0]

    def leads(rows: float) -> bool:
        return model.leader(points.along(rows, inner_actual=inner_actual)) == border.below

    low, high = flip_interval(leads, border.rows)
    for other, there in worlds[1:]:
        rows = _flip(other, there, border, inner_actual=inner_actual)
        low, high = min(low, rows), max(high, rows)
    return low, high


def _flip(model: JoinModel, points: Points, border: Border, *, inner_actual: bool) -> float:
    """Where another world puts the border between the same two methods, searched outwards from here."""
    pair = replace(model, ways=tuple(w for w in model.ways if w.method in (border.below, border.above)))

    def below_leads(rows: float) -> bool:
        return pair.leader(points.along(rows, inner_actual=inner_actual)) == border.below

    highest = _highest(points)
    low = high = border.rows
    if below_leads(border.rows):
        while high < highest and below_leads(high):
            low, high = high, high * 2.0
    else:
        while low > 1.0 and not below_leads(low):
            low, high = max(floor(low / 2.0), 1.0), low
    while high - low > max(1.0, 0.005 * low):
        middle = float(floor((low + high) / 2.0))
        if below_leads(middle):
            low = middle
        else:
            high = middle
    return high


def _basis(model: JoinModel, border: Border) -> Basis:
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
