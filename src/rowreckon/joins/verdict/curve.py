"""Samples of the cost curves that a report draws: what each method costs along the outer rows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from rowreckon.document.audit import CurvePoint, Method, MethodCost
from rowreckon.joins.facts.inputs import Point
from rowreckon.joins.verdict.points import Points
from rowreckon.joins.verdict.switch_points import OuterLine
from rowreckon.joins.verdict.verdict import World
from rowreckon.joins.ways.model import JoinModel

MOST_CURVES = 30
"""Joins of a plan, from the top, that get curves: nobody looks at more, and sampling takes longer than judging."""

_SAMPLES = 16
_PROBES = 4
_NEAR = 100.0
_MARGIN = 3.0
_LEAST_METHODS = 2
_MOST_ROWS = 1.0e9


def curve_points(
    world: World, lines: Sequence[OuterLine], costs: Mapping[Method, MethodCost], *, scale: float
) -> tuple[CurvePoint, ...]:
    """About twenty samples along each line, in rising order of outer rows (totals: planner rows × `scale`); empty where
    fewer than two methods have figures.

    The estimate, the actual and both sides of every near border are among them, and there each method's figure is the
    one that `costs` gives (planner cost). A method of which `costs` has no figure at one of the two points is left out:
    no curve is drawn between points that the evidence leaves open.
    """
    found: list[CurvePoint] = []
    model, points = world
    sure = [m for m, figure in costs.items() if _has_sure_figures(figure, points)]
    if len(sure) < _LEAST_METHODS:
        return ()
    for line in lines:
        rows = _rows(points, line)
        at = [points.along(n, inner_actual=line.inner_actual) for n in rows]
        lean = _cheapest(model, [at[round(n * (len(at) - 1) / _PROBES)] for n in range(_PROBES + 1)] + _ends(points))
        for outer, point in zip(rows, at, strict=True):
            here = lean.costs(point)
            figures = {m: here.get(m) for m in sure}
            if point == points.estimate:
                figures.update({m: costs[m].at_estimate for m in sure})
            found.append(
                CurvePoint(
                    outer_rows=outer * scale, inner_at="actual" if line.inner_actual else "estimate", costs=figures
                )
            )
    return tuple(found)


def _has_sure_figures(figure: MethodCost, points: Points) -> bool:
    return figure.at_estimate is not None and (points.actual is None or figure.at_actual is not None)


def _ends(points: Points) -> list[Point]:
    return [points.estimate] + ([points.actual] if points.actual is not None else [])


def _rows(points: Points, line: OuterLine) -> list[float]:
    """Whole row counts, evenly spread on a logarithmic scale, from a little below all marks to a little above."""
    marks = [point.outer for point in _ends(points)]
    low, high = min(marks), max(marks)
    near = [b.rows for b in line.borders if low / _NEAR <= b.rows <= high * _NEAR]
    marks += [rows for b in near for rows in (max(b - 1.0, 1.0), b)]
    low, high = max(min(marks) / _MARGIN, 1.0), min(max(*marks, 2.0) * _MARGIN, max(_MOST_ROWS, max(marks)))
    even = [low * (high / low) ** (n / (_SAMPLES - 1)) for n in range(_SAMPLES)]
    return sorted({*marks, *(float(round(rows)) for rows in even)})


def _cheapest(model: JoinModel, probes: Sequence[Point]) -> JoinModel:
    """The model with, of each method, only the ways that are its cheapest at one of these points."""
    kept: set[int] = set()
    ways = model.deciding()
    for point in probes:
        best: dict[Method, tuple[float, int]] = {}
        for number, way in enumerate(ways):
            cost = model.cost(way, point)
            if way.method not in best or cost < best[way.method][0]:
                best[way.method] = (cost, number)
        kept.update(number for _, number in best.values())
    return replace(model, ways=tuple(way for number, way in enumerate(ways) if number in kept), _kept={})
