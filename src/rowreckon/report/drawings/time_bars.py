"""Bars of time, one a query, all on one scale: geometry for every format.

The longest query fills the width. A bar is cut where one part of its time ends and the next begins, in a fixed order.
"""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.document.audit import TimeBy
from rowreckon.frozen import frozen
from rowreckon.report.words.part_words import PARTS_OF_TIME, PartOfTime, whole_of

_SEEN = 0.001  # a stretch below this share of the width is not drawn


@frozen
class Stretch:
    """One part of a bar: from `start` on, `width` wide, both as shares of the whole width (0 to 1)."""

    part: PartOfTime
    start: float
    width: float


def longest(splits: Sequence[TimeBy | None]) -> float:
    """The scale of a list's bars: the ms that fill the width; 0 where nothing was timed."""
    return max((whole_of(split) for split in splits if split is not None), default=0.0)


def bar(split: TimeBy, scale: float) -> tuple[Stretch, ...]:
    """The stretches of one query, on a scale of `scale` ms."""
    if scale <= 0:
        return ()
    found: list[Stretch] = []
    start = 0.0
    for part in PARTS_OF_TIME:
        width = getattr(split, part.key) / scale
        if width >= _SEEN:
            found.append(Stretch(part, start, min(width, 1.0 - start)))
        start = min(start + width, 1.0)
    return tuple(found)


def bar_text(split: TimeBy, scale: float, width: int) -> list[tuple[str, PartOfTime]]:
    """The bar in letters, at most `width` of them: (letters, part) in order."""
    whole = whole_of(split)
    if scale <= 0 or whole <= 0:
        return []
    room = max(1, round(width * whole / scale))
    exact = [(part, room * getattr(split, part.key) / whole) for part in PARTS_OF_TIME]
    counts = {part.key: int(share) for part, share in exact}
    left = room - sum(counts.values())
    # the letters that rounding down leaves go to the largest remainders, so that the bar is as long as its time
    for part, _ in sorted(exact, key=lambda pair: int(pair[1]) - pair[1])[:left]:
        counts[part.key] += 1
    return [(part.letter * counts[part.key], part) for part in PARTS_OF_TIME if counts[part.key]]
