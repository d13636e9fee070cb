"""What one piece of an archive gives, and how pieces are put together: in any order, each exactly once."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from heapq import nsmallest

from rowreckon.archive.digest import Digest
from rowreckon.archive.folds import FoldSum, Place

MOST_REJECTED = 1_000
"""The most unreadable inputs that are named; of the others the number is given."""


@dataclass(frozen=True, slots=True, order=True)
class Unread:
    """A place that looked like a plan and could not be read."""

    place: Place
    reason: str
    where: str
    defect: bool = False


@dataclass(slots=True)
class Totals:
    """Counts over all executions; `execution_us` over the `timed` ones."""

    plans: int = 0
    joins: int = 0
    crossed: int = 0
    held: int = 0
    undecided: int = 0
    misestimated_nodes: int = 0
    execution_us: int = 0
    timed: int = 0
    bytes: int = 0
    rejected: int = 0

    def add(self, digest: Digest) -> None:
        """Count one execution."""
        self.plans += 1
        self.joins += digest.joins
        self.crossed += digest.crossed
        self.held += digest.held
        self.undecided += digest.undecided
        self.misestimated_nodes += digest.misestimated
        if digest.execution_us is not None:
            self.execution_us += digest.execution_us
            self.timed += 1

    def merge(self, other: Totals) -> None:
        """Add another's counts."""
        for name in self.__slots__:
            setattr(self, name, getattr(self, name) + getattr(other, name))


@dataclass(slots=True)
class Partial:
    """The sums of one piece of the archive, or of several."""

    folds: dict[bytes, FoldSum] = field(default_factory=dict)
    totals: Totals = field(default_factory=Totals)
    unread: list[Unread] = field(default_factory=list)

    def add(self, digest: Digest, place: Place) -> None:
        """Count one execution."""
        fold = self.folds.get(digest.fingerprint)
        if fold is None:
            fold = self.folds[digest.fingerprint] = FoldSum()
        fold.add(digest, place)
        self.totals.add(digest)

    def reject(self, unread: Unread) -> None:
        """Note a place that could not be read."""
        self.totals.rejected += 1
        self.unread.append(unread)
        if len(self.unread) >= 2 * MOST_REJECTED:
            self.unread = first_unread(self.unread)

    def merge(self, other: Partial) -> None:
        """Add another piece. The other is used up: its folds may become this one's."""
        for fingerprint, fold in other.folds.items():
            known = self.folds.get(fingerprint)
            if known is None:
                self.folds[fingerprint] = fold
            else:
                known.merge(fold)
        self.merge_rest(other)

    def merge_rest(self, other: Partial) -> None:
        """Add all of another piece but its folds."""
        self.totals.merge(other.totals)
        self.unread = first_unread([*self.unread, *other.unread])


def first_unread(unread: Iterable[Unread]) -> list[Unread]:
    """The first of them in input order."""
    return nsmallest(MOST_REJECTED, unread)
