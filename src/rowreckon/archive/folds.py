"""Folds: all executions of one query with one plan shape, added up.

Every figure is a sum of whole numbers, a smallest or a largest, so that folds may be merged in any order and grouping
and come out the same to the last bit.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from rowreckon.archive.digest import Digest
from rowreckon.archive.spread import Spread


@dataclass(frozen=True, slots=True, order=True)
class Place:
    """Where a plan stands: the input's number and the entry's first byte, or (`numbered`) its number in the file."""

    input: int
    at: int
    numbered: bool = False


@dataclass(frozen=True, slots=True)
class Worst:
    """The worst execution of a fold: time lost, error and time decide, and between equals the first in the input."""

    lost_us: int
    error: float
    execution_us: int
    place: Place
    query: str | None
    query_id: str | None

    def outdoes(self, other: Worst) -> bool:
        """Whether this one is to be shown instead of the other."""
        mine = (self.lost_us, self.error, self.execution_us)
        its = (other.lost_us, other.error, other.execution_us)
        return mine > its or (mine == its and self.place < other.place)


@dataclass(slots=True)
class FoldSum:
    """The sums of one fold. Times in microseconds; `misestimated` counts executions with an error at the threshold."""

    times: int = 0
    misestimated: int = 0
    crossed: int = 0
    execution_us: int = 0
    timed: int = 0
    misestimated_us: int = 0
    lost_us: int = 0
    first: str | None = None
    last: str | None = None
    errors: Spread = field(default_factory=Spread)
    worst: Worst | None = None

    def add(self, digest: Digest, place: Place) -> None:
        """Count one execution."""
        self.times += 1
        if digest.execution_us is not None:
            self.execution_us += digest.execution_us
            self.timed += 1
        if digest.misestimated:
            self.misestimated += 1
            self.misestimated_us += digest.execution_us or 0
        if digest.crossed:
            self.crossed += 1
            self.lost_us += digest.lost_us
        at = digest.at
        if at is not None:
            if self.first is None or at < self.first:
                self.first = at
            if self.last is None or at > self.last:
                self.last = at
        if digest.worst is not None:
            self.errors.add(digest.worst)
        error, took = digest.worst or 0.0, digest.execution_us or 0
        shown = self.worst
        if shown is None or (digest.lost_us, error, took) >= (shown.lost_us, shown.error, shown.execution_us):
            self.show(Worst(digest.lost_us, error, took, place, digest.query, digest.query_id))

    def show(self, other: Worst | None) -> None:
        """Keep the worse of the one kept and another."""
        if other is not None and (self.worst is None or other.outdoes(self.worst)):
            self.worst = other

    def merge(self, other: FoldSum) -> None:
        """Add another part of the same fold."""
        self.times += other.times
        self.misestimated += other.misestimated
        self.crossed += other.crossed
        self.execution_us += other.execution_us
        self.timed += other.timed
        self.misestimated_us += other.misestimated_us
        self.lost_us += other.lost_us
        firsts = [at for at in (self.first, other.first) if at is not None]
        lasts = [at for at in (self.last, other.last) if at is not None]
        self.first = min(firsts, default=None)
        self.last = max(lasts, default=None)
        self.errors.merge(other.errors)
        self.show(other.worst)

    def weight(self) -> tuple[int, int, int, int]:
        """What a fold weighs in the ranking: time lost, then time under misestimates, then how often."""
        return self.lost_us, self.misestimated_us, self.misestimated, self.times
