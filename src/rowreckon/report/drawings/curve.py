"""The cost curves of a join as plain data: one line a method on two logarithmic axes, with the borders between."""

from __future__ import annotations

import math
from typing import Literal

from rowreckon.document.audit import Join, Method
from rowreckon.frozen import frozen
from rowreckon.report.drawings.ruler import decade
from rowreckon.report.words.borders import borders, inner_differs
from rowreckon.report.words.escape import bare
from rowreckon.report.words.numbers import count_of, number
from rowreckon.report.words.sentences import method_name

_TELLING = 0.5  # decades between estimate and actual


@frozen
class Line:
    """One method's costs: (decade of outer rows, decade of planner cost), rising in rows."""

    method: Method
    label: str
    points: tuple[tuple[float, float], ...]


@frozen
class Upright:
    """A vertical at a number of outer rows: the estimate, the actual count or a switch point."""

    kind: Literal["estimate", "actual", "switch"]
    at: float
    label: str


@frozen
class Curve:
    """The chart of one join; `sampled` is false where only the two known points of each method are joined up."""

    lines: tuple[Line, ...]
    uprights: tuple[Upright, ...]
    rows: tuple[int, int]
    costs: tuple[int, int]
    sampled: bool
    caption: str


def curve(join: Join) -> Curve | None:
    """The chart, or None where fewer than two methods have a cost to draw."""
    differs = inner_differs(join)
    at: Literal["estimate", "actual"] = "actual" if differs and _has_samples(join, "actual") else "estimate"
    sampled = _has_samples(join, at)
    lines = _sampled_lines(join, at) if sampled else _two_point_lines(join)
    if len(lines) < 2:
        return None
    drawn = [x for line in lines for x, _ in line.points]
    uprights = tuple(u for u in _uprights(join, at, sampled) if u.kind != "switch" or min(drawn) <= u.at <= max(drawn))
    xs = [x for line in lines for x, _ in line.points] + [u.at for u in uprights]
    ys = [y for line in lines for _, y in line.points]
    caption = "Cost of each join method along the outer rows, both axes logarithmic"
    if sampled:
        if differs:
            inner = join.inner.actual_rows if at == "actual" else join.inner.estimated_rows
            caption += f", with {count_of(inner, 'inner row')}"
    else:
        caption += ". Only the costs at the estimate and at the actual rows are known; the lines between are straight"
    best = join.best_at_actual
    if best is not None and all(line.method != best for line in lines):
        caption += (
            f". The {bare(method_name(best))} is not drawn, as the evidence does not give its cost closely enough"
        )
    return Curve(lines, uprights, _whole(xs), _whole(ys), sampled, caption + ".")


def _has_samples(join: Join, at: str) -> bool:
    return sum(point.inner_at == at for point in join.curve) >= 2


def _whole(values: list[float]) -> tuple[int, int]:
    low = math.floor(min(values))
    return low, max(low + 1, math.ceil(max(values)))


def _y(cost: float) -> float:
    return math.log10(max(cost, 0.01))


def _sampled_lines(join: Join, at: str) -> tuple[Line, ...]:
    points: dict[Method, list[tuple[float, float]]] = {}
    for sample in sorted((p for p in join.curve if p.inner_at == at), key=lambda p: p.outer_rows):
        for method, cost in sample.costs.items():
            if cost is not None and math.isfinite(cost):
                points.setdefault(method, []).append((decade(sample.outer_rows), _y(cost)))
    return tuple(Line(m, bare(method_name(m)), tuple(p)) for m, p in sorted(points.items()) if len(p) > 1)


def _two_point_lines(join: Join) -> tuple[Line, ...]:
    expected, came = join.outer.estimated_rows, join.outer.actual_rows
    # With the inner side wrong too, or hardly any way between the two points, a straight line would tell nothing.
    if expected is None or came is None or inner_differs(join) or abs(decade(expected) - decade(came)) < _TELLING:
        return ()
    lines = []
    for method, cost in sorted(join.costs.items()):
        if cost.at_estimate is None or cost.at_actual is None:
            continue
        ends = sorted(((decade(expected), _y(cost.at_estimate)), (decade(came), _y(cost.at_actual))))
        lines.append(Line(method, bare(method_name(method)), tuple(ends)))
    return tuple(lines)


def _uprights(join: Join, at: Literal["estimate", "actual"], sampled: bool) -> tuple[Upright, ...]:
    marks: list[Upright] = []
    if join.outer.estimated_rows is not None:
        rows = join.outer.estimated_rows
        marks.append(Upright("estimate", decade(rows), f"expected {number(rows)}"))
    if join.outer.actual_rows is not None and join.outer.count not in ("not_run", "not_counted"):
        rows = join.outer.actual_rows
        marks.append(Upright("actual", decade(rows), f"came {number(rows)}"))
    if sampled:
        # Straight lines between two known points need not cross where the curves do.
        marks += [Upright("switch", decade(b.rows), f"switch at {number(b.rows)}") for b in borders(join, "outer", at)]
    return tuple(sorted(marks, key=lambda mark: (mark.at, mark.kind)))
