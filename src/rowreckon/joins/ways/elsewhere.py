"""Ways that the planner compares with a join's own only further up, and what a join above makes of a lower one's ways.

A join that stands below others is weighed as a part of theirs: whether the whole is run by one process or by several
is decided at the top. So much is known here: what a Gather takes to start, and the most that sharing can save above.
"""

from __future__ import annotations

from collections.abc import Callable

from rowreckon.cost import PathCost
from rowreckon.document.audit import Method
from rowreckon.frozen import frozen
from rowreckon.joins.above.add_path import ON_GATHER, replaces
from rowreckon.joins.facts.inputs import Point, SidePath
from rowreckon.joins.ways.all_ways import JoinWay


@frozen
class LowerWays:
    """A join's ways by their own costs: those for one process, and those that several share."""

    alone: tuple[JoinWay, ...] = ()
    shared: tuple[JoinWay, ...] = ()

    def whole(self, estimate: Point, actual: Point) -> SidePath | None:
        """The cheapest way for one process at both points."""
        here, there = _survivor(self.alone, estimate), _survivor(self.alone, actual)
        if here is None or there is None:
            return None
        return SidePath(here[1], actual=there[1], safe=here[1].kind != ON_GATHER)

    def partial(self, estimate: Point, actual: Point) -> SidePath | None:
        """The cheapest shared way at both points, with the workers that it has at the estimate."""
        here = min(((w.cost(estimate), w.workers) for w in self.shared), key=lambda f: f[0].total_cost, default=None)
        there = least(self.shared, actual)
        return None if here is None or there is None else SidePath(here[0], actual=there[1], workers=here[1])


@frozen
class Elsewhere:
    """Ways on the other footing than a join's own: `below` a Gather further up, or for one process.

    `setup` starts a Gather, `per_row` hands up its rows (planner cost), `rest` is what all above the join costs at the
    estimates; it grows with the join's rows (`grown`).
    """

    ways: tuple[JoinWay, ...]
    below: bool
    setup: float
    per_row: float
    rest: float
    grown: Callable[[Point], float]

    def rival(self, point: Point, estimate: Point, own: Callable[[Point], float]) -> Method | None:
        """The method that would lead at a point if the other footing were taken there; None where it can't be.

        `own` is what the way costs that leads on the join's footing. What sharing saves above the join is bounded by
        what the planner's choice at the estimate leaves of it.
        """
        here, there = self._leader(estimate), self._leader(point)
        if here is None or there is None:
            return None
        grown = self.grown(point)
        if self.below:
            left = max(self.setup + here[1].total_cost - own(estimate), 0.0)
            saving = min(self.rest, left) * max(grown, 1.0)
            possible = self.setup + there[1].total_cost < own(point) + saving
        else:
            known = max(own(estimate) + self.setup + self.per_row - here[1].total_cost, 0.0) * min(grown, 1.0)
            spent = self.setup + self.per_row * max(grown, 1.0)
            possible = there[1].total_cost + min(known, self.rest) < own(point) + spent
        return there[0] if possible else None

    def _leader(self, point: Point) -> tuple[Method, PathCost] | None:
        return least(self.ways, point) if self.below else _survivor(self.ways, point)


def least(ways: tuple[JoinWay, ...], point: Point) -> tuple[Method, PathCost] | None:
    """The cheapest of ways at a point, by their own costs."""
    found = ((w.method, w.cost(point)) for w in ways)
    return min(found, key=lambda f: f[1].total_cost, default=None)


def _survivor(ways: tuple[JoinWay, ...], point: Point) -> tuple[Method, PathCost] | None:
    held: tuple[Method, PathCost] | None = None
    for way in ways:
        path = way.cost(point)
        if held is None or replaces(path, held[1]):
            held = (way.method, path)
    return held
