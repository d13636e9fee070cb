"""The row ruler as SVG for HTML: positions in percent, so that its text keeps its size on a narrow screen."""

from __future__ import annotations

from markupsafe import Markup

from rowreckon.report.drawings.ruler import Ruler, Stretch
from rowreckon.report.drawings.ruler_rows import LETTER, NARROWEST, SHIFT, Hung, hung
from rowreckon.report.drawings.svg import decade_labels, element, method_class, percent
from rowreckon.report.words.numbers import number
from rowreckon.report.words.sentences import in_sentences

_NAMES = 14
_BAND_TOP, _BAND_HEIGHT = 22, 16
_AXIS = _BAND_TOP + _BAND_HEIGHT
_MIDDLE = _BAND_TOP + _BAND_HEIGHT / 2
_AXIS_TEXT = _AXIS + 18
_FIRST_LABEL = _AXIS_TEXT + 22
_LABEL_STEP = 20
_WIDE = 600  # px: on the narrowest one that is not called narrow by the style sheet
_MET = 0.015  # share of the line within which two marks cover each other


def ruler_svg(ruler: Ruler) -> Markup:
    """One `<svg>` that says in its accessible name what it shows."""
    ticks = hung(ruler)
    parts = [*_axis(ruler), *_stretches(ruler), *_stems(ticks), *_decades(ruler), *_marks(ticks), *_labels(ticks)]
    height = _FIRST_LABEL + _LABEL_STEP * max((one.row for one in ticks), default=0) + 8
    opening = Markup('<svg class="ruler" role="img" width="100%" height="{}" aria-label="{}">')
    return opening.format(height, described(ruler)) + Markup("").join(parts) + Markup("</svg>")


def described(ruler: Ruler) -> str:
    """The ruler in words, for who does not see it."""
    said = [f"{ruler.title}: {', '.join(tick.label for tick in ruler.ticks)}"]
    if ruler.stretches:
        said.append("as rows grow the cheapest is: " + ", then ".join(s.label for s in ruler.stretches))
    return f"{in_sentences((*said, ruler.note))}."


def _axis(ruler: Ruler) -> list[Markup]:
    parts = [element("line", x1="0%", x2="100%", y1=_AXIS, y2=_AXIS, class_="axis")]
    for exponent in range(ruler.low, ruler.high + 1):
        x = percent(ruler.fraction(float(exponent)))
        parts.append(element("line", x1=x, x2=x, y1=_AXIS, y2=_AXIS + 5, class_="axis"))
    return parts


def _decades(ruler: Ruler) -> list[Markup]:
    """After the stems, so that a figure's halo covers one that runs through it; the first beside a stem at the line's
    start, which would read as a minus before it."""
    marks = [(ruler.fraction(float(at)), number(10.0**at)) for at in range(ruler.low, ruler.high + 1)]
    return decade_labels(marks, _AXIS_TEXT, (NARROWEST, _WIDE), aside=5)


def _stretches(ruler: Ruler) -> list[Markup]:
    if not ruler.stretches:
        return [element("rect", x="0%", y=_BAND_TOP, width="100%", height=_BAND_HEIGHT, class_="bare")]
    parts = []
    for stretch in ruler.stretches:
        left, right = ruler.fraction(stretch.start), ruler.fraction(stretch.end)
        parts.append(
            element(
                "rect",
                x=percent(left),
                y=_BAND_TOP,
                width=percent(right - left),
                height=_BAND_HEIGHT,
                fill=f"url(#p-{method_class(stretch.method)})",
                class_="stretch",
            )
        )
        if _has_room(ruler, stretch):
            middle = percent((left + right) / 2)
            parts.append(element("text", x=middle, y=_NAMES, text_anchor="middle", class_="method", text=stretch.label))
    return parts


def _has_room(ruler: Ruler, stretch: Stretch) -> bool:
    part = ruler.fraction(stretch.end) - ruler.fraction(stretch.start)
    return part * NARROWEST > len(stretch.label) * LETTER + 8


def all_named(ruler: Ruler) -> bool:
    """Whether each stretch carries its name, so that no legend is needed."""
    return all(_has_room(ruler, stretch) for stretch in ruler.stretches)


def _stems(ticks: list[Hung]) -> list[Markup]:
    found = []
    for one in ticks:
        x, kind = percent(one.at), f"stem {one.tick.kind}"
        found.append(element("line", x1=x, x2=x, y1=_MIDDLE, y2=_label_y(one) - 4, class_=kind))
    return found


def _labels(ticks: list[Hung]) -> list[Markup]:
    """After all stems, so that a label's halo covers one that it must lie across."""
    return [
        element(
            "text",
            x=percent(one.at),
            dx=SHIFT if one.reaches_right else -SHIFT,
            y=_label_y(one),
            text_anchor="start" if one.reaches_right else "end",
            class_=f"label {one.tick.kind}",
            text=one.tick.label,
        )
        for one in ticks
    ]


def _label_y(one: Hung) -> int:
    return _FIRST_LABEL + one.row * _LABEL_STEP


def _marks(ticks: list[Hung]) -> list[Markup]:
    """The marks on the band; a dot on top of a ring that it falls into."""
    found = []
    actual = [one.at for one in ticks if one.tick.kind == "actual"]
    for one in sorted(ticks, key=lambda one: ("span", "switch", "estimate", "actual").index(one.tick.kind)):
        x = percent(one.at)
        if one.tick.kind == "switch":
            found.append(element("line", x1=x, x2=x, y1=_BAND_TOP - 4, y2=_AXIS + 4, class_="mark switch"))
        elif one.tick.kind == "estimate":
            # Where the actual count falls on the estimate, its dot stands within the estimate's ring.
            met = any(abs(one.at - at) < _MET for at in actual)
            found.append(element("circle", cx=x, cy=_MIDDLE, r=11 if met else 6, class_="mark estimate"))
        elif one.tick.kind == "actual":
            found.append(element("circle", cx=x, cy=_MIDDLE, r=7, class_="mark actual"))
    return found
