"""Bars of time as SVG: patterns tell the parts apart, colour only helps, and wide stretches carry their letter."""

from __future__ import annotations

from markupsafe import Markup

from rowreckon.document.audit import TimeBy
from rowreckon.report.drawings.svg import element, percent
from rowreckon.report.drawings.time_bars import bar
from rowreckon.report.words.part_words import PARTS_OF_TIME, shares

_LETTER_FROM = 0.035  # share of the width from which on a letter fits into its stretch on a phone too
_HEIGHT = 18
_NOW = 4  # height of the line that shows the time with changes

_FIGURES = {
    "crossed_joins": '<path d="M0 8L8 0M-2 2L2 -2M6 10L10 6" class="t-line heavy"/>',
    "other_joins": '<path d="M0 8L8 0M-2 2L2 -2M6 10L10 6" class="t-line"/>',
    "scans": "",
    "sorts": '<path d="M2 0V8M6 0V8" class="t-line"/>',
    "aggregates": '<circle cx="2" cy="2" r="1" class="t-dot"/><circle cx="6" cy="6" r="1" class="t-dot"/>',
    "functions": '<path d="M0 2H8M0 6H8" class="t-line"/>',
    "jit": '<path d="M0 4H8M4 0V8" class="t-line"/>',
    "planning": '<path d="M0 0L8 8M-2 6L2 10M6 -2L10 2" class="t-line"/>',
    "waiting": '<circle cx="4" cy="4" r="2.2" class="t-ring"/>',
    "other": "",
}


def time_patterns() -> Markup:
    """The patterns of the parts, once for a page."""
    made = "".join(
        f'<pattern id="t-{key}" width="8" height="8" patternUnits="userSpaceOnUse">'
        f'<rect width="8" height="8" class="t-{key}"/>{figure}</pattern>'
        for key, figure in _FIGURES.items()
    )
    return Markup(
        f'<svg class="defs" width="0" height="0" aria-hidden="true" focusable="false"><defs>{made}</defs></svg>'
    )


def time_bar(split: TimeBy, scale: float, label: str, now_ms: float | None = None) -> Markup:
    """One query's bar over the whole width; `label` names it for who does not see it. A line below it is as long as
    the time with changes, `now_ms`."""
    drawn = [Markup("<title>{}</title>").format(_in_words(split))]
    for stretch in bar(split, scale):
        drawn.append(
            element(
                "rect",
                x=percent(stretch.start),
                width=percent(stretch.width),
                height=_HEIGHT,
                fill=f"url(#t-{stretch.part.key})",
                class_="t-part",
            )
        )
        if stretch.width >= _LETTER_FROM:
            middle = percent(stretch.start + stretch.width / 2)
            drawn.append(element("text", text=stretch.part.letter, x=middle, y="13", class_="t-letter"))
    if now_ms is not None and scale > 0:
        drawn.append(
            element("rect", y=_HEIGHT + 2, width=percent(min(now_ms / scale, 1.0)), height=_NOW, class_="t-now")
        )
    height = _HEIGHT + 2 + _NOW if now_ms is not None else _HEIGHT
    return Markup('<svg class="timebar" width="100%" height="{}" role="img" aria-label="{}">{}</svg>').format(
        height, f"{label}: {_in_words(split)}", Markup("").join(drawn)
    )


def swatches(split: TimeBy | None) -> tuple[tuple[str, str, str, str], ...]:
    """The legend: (key, letter, name, share of the whole list's time) for each part that occurs."""
    if split is None:
        return ()
    known = {part.key: said for part, said in shares(split)}
    return tuple((part.key, part.letter, part.name, known[part.key]) for part in PARTS_OF_TIME if part.key in known)


def _in_words(split: TimeBy) -> str:
    return ", ".join(f"{part.name} {said}" for part, said in shares(split))
