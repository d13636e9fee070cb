"""The parts of the plan's picture that HTML draws: a strip of rows and a bar of time for each line, and the scale."""

from __future__ import annotations

from markupsafe import Markup

from rowreckon.report.drawings.plan_picture import NodeLine, PlanPicture
from rowreckon.report.drawings.scale import short_decade
from rowreckon.report.drawings.svg import decade_labels, element, percent
from rowreckon.report.words.escape import bare

_HEIGHT = 20
_MIDDLE = 10
_MET = 0.012  # share of the strip within which two marks cover each other
_WIDTHS = (140, 320)  # px of a strip on a narrow screen and on a wide one, as the style sheet has it


def strip_svg(picture: PlanPicture, line: NodeLine) -> Markup:
    """The rows of one node; its accessible name says them."""
    rows = line.rows
    parts = [_gridline(picture, exponent) for exponent in range(picture.high + 1)]
    expected = None if rows.expected is None else picture.fraction(rows.expected)
    came = None if rows.came is None else picture.fraction(rows.came)
    if expected is not None and came is not None:
        kind = f"span {rows.error}" if rows.error else "span"
        parts.append(element("line", x1=percent(expected), x2=percent(came), y1=_MIDDLE, y2=_MIDDLE, class_=kind))
    for switch in picture.switches(rows):
        at = percent(picture.fraction(switch))
        parts.append(element("line", x1=at, x2=at, y1=1, y2=_HEIGHT - 1, class_="mark switch"))
    if expected is not None:
        met = came is not None and abs(came - expected) < _MET
        parts.append(element("circle", cx=percent(expected), cy=_MIDDLE, r=7 if met else 4.5, class_="mark estimate"))
    if came is not None:
        wrong = f" {rows.error}" if rows.error else " right"
        parts.append(element("circle", cx=percent(came), cy=_MIDDLE, r=4.5, class_=f"mark actual{wrong}"))
    opening = Markup('<svg class="strip" role="img" width="100%" height="{}" aria-label="{}">')
    return opening.format(_HEIGHT, bare(rows.said)) + Markup("").join(parts) + Markup("</svg>")


def bar_svg(picture: PlanPicture, line: NodeLine) -> Markup:
    """The node's own time against the longest one's; its figure stands beside it."""
    long = percent(max(picture.part(line.ms), 0.004))
    bar = element("rect", x=0, y=5, width=long, height=10, class_="own-bar")
    opening = Markup('<svg class="time" aria-hidden="true" width="100%" height="{}">').format(_HEIGHT)
    return opening + bar + Markup("</svg>")


def scale_svg(picture: PlanPicture) -> Markup:
    """The decades above the strips, as many as there is room for."""
    marks = [(picture.fraction(float(exponent)), short_decade(exponent)) for exponent in range(picture.high + 1)]
    parts = decade_labels(marks, 14, _WIDTHS)
    opening = Markup('<svg class="strip" aria-hidden="true" width="100%" height="{}">').format(_HEIGHT)
    return opening + Markup("").join(parts) + Markup("</svg>")


def _gridline(picture: PlanPicture, exponent: int) -> Markup:
    at = percent(picture.fraction(float(exponent)))
    return element("line", x1=at, x2=at, y1=0, y2=_HEIGHT, class_="grid")
