"""A join's switch points and margin, from its model: along the outer rows twice, and along the inner rows."""

from __future__ import annotations

from rowreckon.report.document import Basis, Margin, Method, SwitchPoint

from .borders import Border, find_borders, flip_interval, grid, whole
from .inputs import Point
from .model import JoinModel
from .points import Points

_BEYOND = 1000.0
_LEAST_HIGH = 1.0e6
_MOST_ROWS = 1.0e9


def switch_points(
    model: JoinModel, points: Points, *, scale: float, inner_scale: float, shown_inner_differs: bool
) -> tuple[SwitchPoint, ...]:
    """All switch points, in totals: `scale` takes the planner's outer rows to totals, `inner_scale` the inner's."""
    found = _set(model, points, inner_actual=False, scale=scale, inner_scale=inner_scale)
    if points.actual is not None and (shown_inner_differs or points.inner_moves):
        found += _set(model, points, inner_actual=True, scale=scale, inner_scale=inner_scale)
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


def _set(
    model: JoinModel, points: Points, *, inner_actual: bool, scale: float, inner_scale: float
) -> list[SwitchPoint]:
    inner = points.actual.inner if inner_actual and points.actual is not None else points.estimate.inner
    found: list[SwitchPoint] = []
    for border in outer_borders(model, points, inner_actual=inner_actual):
        low, high = _interval(model, points, border, inner_actual=inner_actual)
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


def _interval(model: JoinModel, points: Points, border: Border, *, inner_actual: bool) -> tuple[float, float]:
    """What the evidence leaves of a border: where the lead would change at either end of the costs' play."""

    def leads(rows: float) -> bool:
        return model.leader(points.along(rows, inner_actual=inner_actual)) == border.below

    low, high = flip_interval(leads, border.rows)
    if not any(w.low or w.high for w in model.ways):
        return low, high
    for mine, other in (("low", "high"), ("high", "low")):
        rows = _flip(model, points, border, mine, other, inner_actual=inner_actual)
        low, high = min(low, rows), max(high, rows)
    return low, high


def _flip(model: JoinModel, points: Points, border: Border, mine: str, other: str, *, inner_actual: bool) -> float:
    """The border with the method below at one end of its play and the method above at the other."""

    def below_leads(rows: float) -> bool:
        point = points.along(rows, inner_actual=inner_actual)
        paths = {border.below: model.best_paths(point, mine)[border.below]}
        paths[border.above] = model.best_paths(point, other)[border.above]
        return model.pick(paths) == border.below

    highest = _highest(points)
    at_border = below_leads(border.rows)
    low, high = border.rows, border.rows
    while at_border and high < highest and below_leads(high):
        low, high = high, high * 2.0
    while not at_border and low > 1.0 and not below_leads(low):
        low, high = max(low / 2.0, 1.0), low
    while high - low > max(1.0, 0.001 * low):
        middle = whole((low * high) ** 0.5 if high > 4 * low else (low + high) / 2)
        if middle in (low, high):
            break
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
