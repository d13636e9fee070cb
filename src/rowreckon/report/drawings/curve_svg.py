"""The cost curves as SVG: a line pattern and a marker for each method, its name at the line's end."""

from __future__ import annotations

from markupsafe import Markup

from rowreckon.report.drawings.curve import Curve, Line
from rowreckon.report.drawings.scale import centred, fitting
from rowreckon.report.drawings.svg import element, method_class
from rowreckon.report.words.numbers import number

_WIDTH, _HEIGHT = 520, 330
_LEFT, _RIGHT, _TOP, _BOTTOM = 74, 96, 64, 40
_ROW = 15
_DIGIT = 8.0
_LABELS = 4


def curve_svg(chart: Curve) -> Markup:
    """One `<svg>`; its accessible name is the caption with the marks."""
    parts = [*_grid(chart), *_uprights(chart), *_lines(chart)]
    name = f"{chart.caption} {', '.join(u.label for u in chart.uprights)}."
    opening = Markup('<svg class="curve" role="img" viewBox="0 0 {} {}" aria-label="{}">').format(_WIDTH, _HEIGHT, name)
    return opening + Markup("").join(parts) + Markup("</svg>")


def _x(chart: Curve, at: float) -> float:
    low, high = chart.rows
    return _LEFT + (at - low) / (high - low) * (_WIDTH - _LEFT - _RIGHT)


def _y(chart: Curve, at: float) -> float:
    low, high = chart.costs
    return _HEIGHT - _BOTTOM - (at - low) / (high - low) * (_HEIGHT - _TOP - _BOTTOM)


def _grid(chart: Curve) -> list[Markup]:
    middle = (_LEFT + _WIDTH - _RIGHT) / 2
    titles = [
        element("text", x=middle, y=_HEIGHT - 6, text_anchor="middle", class_="decade", text="outer rows"),
        element("text", x=4, y=_TOP - 8, class_="decade", text="cost"),
    ]
    return [*_rows(chart), *_costs(chart), *titles]


def _rows(chart: Curve) -> list[Markup]:
    """The decades along the bottom."""
    parts: list[Markup] = []
    marks = [(_x(chart, exponent), number(10.0**exponent)) for exponent in range(chart.rows[0], chart.rows[1] + 1)]
    labelled = fitting([centred(x, len(text) * _DIGIT, _WIDTH) for x, text in marks], _DIGIT)
    for place, (x, text) in enumerate(marks):
        parts.append(element("line", x1=x, x2=x, y1=_TOP, y2=_HEIGHT - _BOTTOM, class_="grid"))
        if place in labelled:
            y = _HEIGHT - _BOTTOM + 16
            parts.append(element("text", x=x, y=y, text_anchor="middle", class_="decade", text=text))
    return parts


def _costs(chart: Curve) -> list[Markup]:
    """The decades along the left side."""
    parts: list[Markup] = []
    marks = [(_y(chart, exponent), number(10.0**exponent)) for exponent in range(chart.costs[0], chart.costs[1] + 1)]
    labelled = fitting([(-y, _ROW - y) for y, _ in marks], 0)
    for place, (y, text) in enumerate(marks):
        parts.append(element("line", x1=_LEFT, x2=_WIDTH - _RIGHT, y1=y, y2=y, class_="grid"))
        if place in labelled:
            parts.append(element("text", x=_LEFT - 6, y=y + 4, text_anchor="end", class_="decade", text=text))
    return parts


def _uprights(chart: Curve) -> list[Markup]:
    """A vertical for each mark; the first few, estimate and actual before all, get a label above the chart."""
    parts: list[Markup] = []
    ranked = sorted(chart.uprights, key=lambda mark: (("estimate", "actual", "switch").index(mark.kind), mark.at))
    for row, mark in enumerate(ranked):
        x = _x(chart, mark.at)
        labelled = row < _LABELS
        y = 12 + row * _ROW if labelled else _TOP
        parts.append(element("line", x1=x, x2=x, y1=y + 3, y2=_HEIGHT - _BOTTOM, class_=f"upright {mark.kind}"))
        if labelled:
            anchor, shift = ("end", -4) if x > _WIDTH * 0.6 else ("start", 4)
            kind = f"label {mark.kind}"
            parts.append(element("text", x=x + shift, y=y + 2, text_anchor=anchor, class_=kind, text=mark.label))
    return parts


def _lines(chart: Curve) -> list[Markup]:
    parts: list[Markup] = []
    taken: list[float] = []
    for line in sorted(chart.lines, key=lambda item: -item.points[-1][1]):
        kind = method_class(line.method)
        points = " ".join(f"{_x(chart, x):.1f},{_y(chart, y):.1f}" for x, y in line.points)
        parts.append(element("polyline", points=points, class_=f"cost {kind}"))
        parts += _markers(chart, line, kind)
        end_x, end_y = line.points[-1]
        y = _y(chart, end_y) + 4
        while any(abs(y - other) < _ROW - 1 for other in taken):
            y += 2
        taken.append(y)
        parts.append(element("text", x=_x(chart, end_x) + 9, y=y, class_="label", text=line.label))
    return parts


def _markers(chart: Curve, line: Line, kind: str) -> list[Markup]:
    """A circle, a square or a triangle at both ends: the line is told apart without colour."""
    parts: list[Markup] = []
    for at, cost in (line.points[0], line.points[-1]):
        x, y = _x(chart, at), _y(chart, cost)
        if kind == "hj":
            parts.append(element("rect", x=x - 4, y=y - 4, width=8, height=8, class_=f"marker {kind}"))
        elif kind == "mj":
            shape = f"M{x:.1f} {y - 5:.1f}L{x + 5:.1f} {y + 4:.1f}L{x - 5:.1f} {y + 4:.1f}Z"
            parts.append(element("path", d=shape, class_=f"marker {kind}"))
        else:
            parts.append(element("circle", cx=x, cy=y, r=4, class_=f"marker {kind}"))
    return parts
