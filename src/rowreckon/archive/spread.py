"""The spread of many q-errors in little room: counts per stretch of a logarithmic scale.

Stretches grow by 2 %, so that a quantile is read to within 1 %; smallest and largest are exact. Sketches are added
stretch by stretch, in any order (Masson, Rim and Lee, "DDSketch: a fast and fully-mergeable quantile sketch with
relative-error guarantees", PVLDB 12(12), 2019, where this kind of sketch and its error are described).
"""

from __future__ import annotations

from math import log

_GROWTH = 1.02
_LOG_GROWTH = log(_GROWTH)


class Spread:
    """Counts of values of at least 1, by stretch; a value in stretch i lies in (1.02^(i-1), 1.02^i]."""

    __slots__ = ("counts", "largest", "smallest")

    def __init__(self) -> None:
        self.counts: dict[int, int] = {}
        self.smallest: float | None = None
        self.largest: float | None = None

    def add(self, value: float) -> None:
        """Count one value; anything below 1 counts as 1."""
        stretch = stretch_of(value)
        self.counts[stretch] = self.counts.get(stretch, 0) + 1
        if self.smallest is None or value < self.smallest:
            self.smallest = value
        if self.largest is None or value > self.largest:
            self.largest = value

    def merge(self, other: Spread) -> None:
        """Add another's counts."""
        for stretch, count in other.counts.items():
            self.counts[stretch] = self.counts.get(stretch, 0) + count
        if other.smallest is not None and (self.smallest is None or other.smallest < self.smallest):
            self.smallest = other.smallest
        if other.largest is not None and (self.largest is None or other.largest > self.largest):
            self.largest = other.largest

    @property
    def total(self) -> int:
        """How many values were counted."""
        return sum(self.counts.values())

    def quantile(self, share: float) -> float | None:
        """The value that this share of all does not exceed, to within 1 %; None of nothing."""
        if self.smallest is None or self.largest is None:
            return None
        wanted, seen = share * self.total, 0
        for stretch in sorted(self.counts):
            seen += self.counts[stretch]
            if seen >= wanted:
                middle = 2.0 * _GROWTH**stretch / (_GROWTH + 1.0)
                return min(max(middle, self.smallest), self.largest)
        return self.largest

    def figures(self) -> dict[str, float]:
        """min, median, p95 and max; nothing of nothing."""
        named = {"min": self.smallest, "median": self.quantile(0.5), "p95": self.quantile(0.95), "max": self.largest}
        return {name: value for name, value in named.items() if value is not None}


def stretch_of(value: float) -> int:
    """The number of the stretch that holds a value."""
    if value <= 1.0:
        return 0
    # The nudge keeps a value that is a power of the growth itself in its own stretch.
    return max(-int(-(log(value) / _LOG_GROWTH - 1e-9) // 1), 0)
