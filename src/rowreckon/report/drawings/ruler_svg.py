"""The row ruler as SVG for HTML: positions in percent, so that its text keeps its size on a narrow screen."""

from __future__ import annotations

from markupsafe import Markup

from rowreckon.report.drawings.ruler import Ruler, Stretch, Tick
from rowreckon.report.drawings.svg import decade_labels, element, method_class, percent
from rowreckon.report.words.numbers import number
from rowreckon.report.words.sentences import in_sentences

_NAMES = 14
_BAND_TOP, _BAND_HEIGHT = 22, 16
_AXIS = _BAND_TOP + _BAND_HEIGHT
_AXIS_TEXT = _AXIS + 18
_FIRST_LABEL = _AXIS_TEXT + 22
_LABEL_STEP = 20
_NARROWEST = 320  # px: the line's width on the narrowest screen that is cared for
_WIDE = 600  # px: on the narrowest one that is not called narrow by the style sheet
_MET = 0.015  # share of the line within which two marks cover each other
_LETTER = 7.5  # px: a letter of the label's size


def ruler_svg(ruler: Ruler) -> Markup:
    """One `<svg>` that says in its accessible name what it shows."""
    parts = [*_axis(ruler), *_stretches(ruler), *_ticks(ruler)]
    height = _FIRST_LABEL + _LABEL_STEP * max(0, len(ruler.ticks) - 1) + 8
    opening = Markup('<svg class="ruler" role="img" width="100%" height="{}" aria-label="{}">')
    return opening.format(height, described(ruler)) + Markup("").join(parts) + Markup("</svg>")


def described(ruler: Ruler) -> str:
    """The ruler in words, for who does not see it."""
    said = [f"{ruler.title}: {', '.join(tick.label for tick in ruler.ticks)}"]
    if ruler.stretches:
        said.append("as rows grow the cheapest is: " + ", then ".join(s.label for s in ruler.stretches))
    return f"{in_sentences((*said, ruler.note))}."


def _axis(ruler: Ruler) -> list[Markup]:
    bottom = _AXIS + 5
    parts = [element("line", x1="0%", x2="100%", y1=_AXIS, y2=_AXIS, class_="axis")]
    marks = [(ruler.fraction(float(at)), number(10.0**at)) for at in range(ruler.low, ruler.high + 1)]
    for at, _ in marks:
        parts.append(element("line", x1=percent(at), x2=percent(at), y1=_AXIS, y2=bottom, class_="axis"))
    return [*parts, *decade_labels(marks, _AXIS_TEXT, (_NARROWEST, _WIDE))]


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
    return part * _NARROWEST > len(stretch.label) * _LETTER + 8


def all_named(ruler: Ruler) -> bool:
    """Whether each stretch carries its name, so that no legend is needed."""
    return all(_has_room(ruler, stretch) for stretch in ruler.stretches)


def _ticks(ruler: Ruler) -> list[Markup]:
    """Marks on the band, each with a stem to a label on a line of its own: the rightmost first, so stems stay clear."""
    parts: list[Markup] = []
    labels: list[Markup] = []  # after all stems, so that a label's halo covers the stems it lies across
    middle = _BAND_TOP + _BAND_HEIGHT / 2
    for row, tick in enumerate(sorted(ruler.ticks, key=lambda t: (-t.at, t.kind == "actual"))):
        at = ruler.fraction(tick.at)
        y = _FIRST_LABEL + row * _LABEL_STEP
        parts.append(element("line", x1=percent(at), x2=percent(at), y1=middle, y2=y - 4, class_=f"stem {tick.kind}"))
        parts.append(_mark(ruler, tick, percent(at), middle))
        left = at < 0.5
        labels.append(
            element(
                "text",
                x=percent(at),
                dx=6 if left else -6,
                y=y,
                text_anchor="start" if left else "end",
                class_=f"label {tick.kind}",
                text=tick.label,
            )
        )
    return [*parts, *labels]


def _mark(ruler: Ruler, tick: Tick, x: str, y: float) -> Markup:
    if tick.kind == "span":
        return Markup("")
    if tick.kind == "switch":
        return element("line", x1=x, x2=x, y1=_BAND_TOP - 4, y2=_AXIS + 4, class_="mark switch")
    if tick.kind == "actual":
        return element("circle", cx=x, cy=y, r=7, class_="mark actual")
    # Where the actual count falls on the estimate, its dot stands within the estimate's ring.
    met = any(t.kind == "actual" and abs(ruler.fraction(t.at) - ruler.fraction(tick.at)) < _MET for t in ruler.ticks)
    return element("circle", cx=x, cy=y, r=11 if met else 6, class_="mark estimate")
