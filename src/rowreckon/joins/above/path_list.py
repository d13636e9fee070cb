"""The paths that the planner keeps of those that are offered to it, some of which come in an order that is wanted.

Source: add_path, add_partial_path and set_cheapest in optimizer/util/pathnode.c, releases 13 to 18, where few rows are
not wanted sooner.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from rowreckon.cost import STD_FUZZ_FACTOR, PathCost
from rowreckon.document.audit import Method
from rowreckon.joins.above.add_path import TIE


class Candidate(NamedTuple):
    """A path of a join by some method: how many of the wanted keys it comes sorted by, its workers if it is partial,
    and whether it could run below a Gather (`safe`)."""

    method: Method
    path: PathCost
    sorted_by: int
    workers: int = 0
    safe: bool = True


class PathList:
    """The paths that are kept; of `partial` ones only the total cost counts."""

    def __init__(self, *, partial: bool = False) -> None:
        self.paths: list[Candidate] = []
        self._beats = _beats_partial if partial else _beats

    def add(self, new: Candidate) -> None:
        """Offer a path: it is kept, in place of those that it beats, unless one of those held beats it."""
        kept: list[Candidate] = []
        for number, held in enumerate(self.paths):
            if self._beats(new, held, newer=True):
                continue
            if self._beats(held, new, newer=False):
                self.paths = [*kept, *self.paths[number:]]
                return
            kept.append(held)
        self.paths = [*kept, new]


def cheapest(paths: Sequence[Candidate]) -> Candidate:
    """The path of the least total cost; of two alike the one that starts sooner, then the better sorted one."""
    return min(paths, key=lambda c: (c.path.total_cost, c.path.startup_cost, -c.sorted_by))


def _beats(one: Candidate, other: Candidate, *, newer: bool) -> bool:
    """Whether a path makes another needless; of two alike the `newer` one has to cost less."""
    if one.sorted_by < other.sorted_by or (other.safe and not one.safe):
        return False
    costs = _compared(one.path, other.path, STD_FUZZ_FACTOR)
    if costs != 0 or one.sorted_by > other.sorted_by or (one.safe and not other.safe):
        return costs >= 0
    exact = _compared(one.path, other.path, TIE)
    return exact > 0 if newer else exact >= 0


def _compared(one: PathCost, other: PathCost, fuzz: float) -> int:
    """1 where one path costs less than another, -1 where it costs more, 0 where they are alike."""
    for here, there in ((one.total_cost, other.total_cost), (one.startup_cost, other.startup_cost)):
        if there > here * fuzz:
            return 1
        if here > there * fuzz:
            return -1
    return 0


def _beats_partial(one: Candidate, other: Candidate, *, newer: bool) -> bool:
    here, there = one.path.total_cost, other.path.total_cost
    if one.sorted_by < other.sorted_by:
        return False
    if there > here * STD_FUZZ_FACTOR:
        return True
    if here > there * STD_FUZZ_FACTOR:
        return False
    if one.sorted_by > other.sorted_by:
        return True
    return not newer or there > here * TIE
