"""On which row below a ruler each label stands, so that no label lies on another and no stem runs through one.

A label reaches to the right or to the left of its stem. What is apart on the narrowest line is apart on every wider
one, since stems move apart as it grows and labels keep their size.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import product

from rowreckon.frozen import frozen
from rowreckon.report.drawings.ruler import Ruler, Tick

NARROWEST = 280  # px: the line's width on the narrowest screen that is cared for, set in where a change is told
LETTER = 7.5  # px: a letter of the label's size
SHIFT = 6  # px: from a stem to its label
_TURNED = 5  # the most marks whose labels are tried on either side: each further mark doubles the arrangements


@frozen
class Hung:
    """A mark with the place of its stem, from 0 to 1, the side of its label, and the label's row, from 0 down."""

    tick: Tick
    at: float
    reaches_right: bool
    row: int = 0

    @property
    def span(self) -> tuple[float, float]:
        """Pixels that label and stem take up together on the narrowest line."""
        stem, wide = self.at * NARROWEST, SHIFT + len(self.tick.label) * LETTER
        return (stem, stem + wide) if self.reaches_right else (stem - wide, stem)


def hung(ruler: Ruler) -> list[Hung]:
    """Every mark of the ruler with its row: nothing in another's way where there is a way, and then on few rows."""
    marks = [(tick, ruler.fraction(tick.at)) for tick in ruler.ticks]
    inwards = [at < 0.5 for _, at in marks]
    ways = product((True, False), repeat=len(marks)) if len(marks) <= _TURNED else [tuple(inwards)]

    def price(laid: list[Hung]) -> tuple[int, int, int, int]:
        outside = sum(one.span[0] < 0 or one.span[1] > NARROWEST for one in laid)
        met = sum(_meet(one, other) for number, one in enumerate(laid) for other in laid[:number])
        turned = sum(one.reaches_right != (one.at < 0.5) for one in laid)
        return outside, met, max((one.row for one in laid), default=0), turned

    return min((_laid(marks, way) for way in ways), key=price)


def _laid(marks: Sequence[tuple[Tick, float]], rightwards: Sequence[bool]) -> list[Hung]:
    """Each on the first row where it fits: before it those whose stems its label lies across, so that they end above
    it."""
    left = [Hung(tick, at, right) for (tick, at), right in zip(marks, rightwards, strict=True)]
    found: list[Hung] = []
    while left:
        one = next((one for one in left if not any(_crosses(other, one) for other in left)), left[0])
        left.remove(one)
        rows = list(_rows(one, len(found)))
        found.append(next((way for way in rows if not any(_meet(way, other) for other in found)), rows[-1]))
    return found


def _rows(one: Hung, last: int) -> Iterator[Hung]:
    return (Hung(one.tick, one.at, one.reaches_right, row) for row in range(last + 1))


def _meet(one: Hung, other: Hung) -> bool:
    """Whether labels on one row touch, or the deeper one's stem runs through the label above it."""
    (left, right), (start, end) = one.span, other.span
    if one.row == other.row:
        return left - SHIFT < end and start - SHIFT < right
    return _crosses(one, other) if one.row > other.row else _crosses(other, one)


def _crosses(one: Hung, label: Hung) -> bool:
    """Whether a stem runs through a label, where it is long enough."""
    begin, finish = label.span
    return begin + 1 < one.at * NARROWEST < finish - 1
