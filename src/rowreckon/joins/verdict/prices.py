"""What the ways to run a join cost at one point, those far from the cheapest only bounded from below.

Along a line it matters at dozens of points who leads, and by how much. What stands above a join makes each figure dear
to work out, and only adds to the join's own cost: a way that costs too much by itself needs no more than that.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import inf

from rowreckon.cost import PathCost
from rowreckon.document.audit import Method
from rowreckon.joins.above.top import Joined, Top
from rowreckon.joins.facts.inputs import Point
from rowreckon.joins.ways.borders import Lead
from rowreckon.joins.ways.model import JoinModel
from rowreckon.joins.ways.topped import ToppedCost, joined_ways

_ROUNDING = 1.0e-9
"""The share by which a bound is lowered: sums of floating point may fall short of their terms by less."""


class Prices:
    """Total costs of a model's existing ways at a point (planner cost); positions are those among these ways."""

    def __init__(self, model: JoinModel, point: Point) -> None:
        self._model, self._point, self._ways = model, point, model.deciding()
        self._paths: Sequence[tuple[Method, PathCost]] = ()
        self._joined: Sequence[Joined] = ()
        self._totals: list[float | None]
        if model.top is None:
            self._paths = model.paths(point)
            self._bounds = [path.total_cost for _, path in self._paths]
            self._totals = [*self._bounds]
        else:
            self._joined = tuple(joined_ways(model.top, self._ways, point))
            self._totals = [None] * len(self._joined)
            self._bounds = [self._bound(model.top, n) for n in range(len(self._joined))]

    def only(self, model: JoinModel, kept: Sequence[int]) -> Prices:
        """The same of a model that has only the ways at these positions."""
        new = Prices.__new__(Prices)
        new._model, new._point, new._ways = model, self._point, model.deciding()
        new._paths = [self._paths[n] for n in kept] if self._paths else ()
        new._joined = [self._joined[n] for n in kept] if self._joined else ()
        new._totals = [self._totals[n] for n in kept]
        new._bounds = [self._bounds[n] for n in kept]
        return new

    def lead(self) -> Lead:
        """The method of the cheapest path, and the cheapest of any other method."""
        best: dict[Method, tuple[float, int]] = {}
        enough = inf  # no figure above the second method's matters
        for number in sorted(range(len(self._ways)), key=self._bounds.__getitem__):
            bound, method = self._bounds[number], self._ways[number].method
            if bound > enough:
                break
            held = best.get(method)
            if held is not None and bound > held[0]:
                continue
            found = self._total(number), number
            if held is None or found < held:
                best[method] = found
                enough = sorted(best.values())[1][0] if len(best) > 1 else inf
        if not best:
            return Lead(None, inf, inf)
        method, (cost, _) = min(best.items(), key=lambda f: f[1])
        return Lead(method, cost, min((total for m, (total, _) in best.items() if m != method), default=inf))

    def within(self, factor: float, known: Iterable[int]) -> set[int]:
        """Positions of the ways that cost less than `factor` times the cheapest, those left out that are `known`."""
        least = self.lead().cost
        limit = max(factor * least, least)  # a cost below zero comes only of a plan that no server printed
        asked = set(range(len(self._bounds))).difference(known)
        return {n for n in asked if self._bounds[n] <= limit and self._total(n) <= limit}

    def winner(self) -> Method | None:
        """The method that the planner would take (see `JoinModel.leader`)."""
        if self._model.top is None:
            return self._model.winner(self._paths, self._point)
        taken = self._model.top.at(self._point).taken(self._joined)
        return None if taken is None else taken.method

    def _total(self, number: int) -> float:
        known = self._totals[number]
        if known is None:
            way, top = self._ways[number], self._model.top
            assert top is not None
            if isinstance(way.cost, ToppedCost):
                path = top.at(self._point).beyond_grouping(self._joined[number])
                known = self._model.calibrated(way.method, path).total_cost
            else:
                known = self._model.path(way, self._point).total_cost
            self._totals[number] = known
        return known

    def _bound(self, top: Top, number: int) -> float:
        way = self._ways[number]
        if not isinstance(way.cost, ToppedCost):
            return self._total(number)
        path = top.at(self._point).at_least(self._joined[number])
        total = self._model.calibrated(way.method, path).total_cost
        return total - abs(total) * _ROUNDING


def kept_within(priced: Iterable[Prices], factor: float) -> list[int]:
    """Positions of the ways that at some of these points cost less than `factor` times the cheapest there."""
    kept: set[int] = set()
    for prices in priced:
        kept |= prices.within(factor, kept)
    return sorted(kept)
