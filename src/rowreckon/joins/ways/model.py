"""The cost model of one join: all its ways, what each method costs at a point, and which one the planner would take."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import field
from math import inf

from rowreckon.cost import STD_FUZZ_FACTOR, PathCost
from rowreckon.document.audit import Basis, Method
from rowreckon.frozen import frozen
from rowreckon.joins.above.add_path import ON_GATHER, gather_replaces, replaces
from rowreckon.joins.above.path_list import Candidate, PathList, cheapest
from rowreckon.joins.above.top import Top
from rowreckon.joins.facts.inputs import Point
from rowreckon.joins.ways.all_ways import JoinWay
from rowreckon.joins.ways.borders import Kink
from rowreckon.joins.ways.elsewhere import Elsewhere, LowerWays
from rowreckon.joins.ways.parallel_rivals import ParallelFloor
from rowreckon.joins.ways.topped import joined_ways
from rowreckon.joins.ways.unseen_index import UnseenWay

_MOST_KEPT = 4
METHOD_ORDER: tuple[Method, ...] = ("nested_loop", "hash", "merge")


@frozen
class JoinModel:
    """The ways to run one join.

    `executed` is the way that the plan took, None where it could not be modelled. `fraction` of the output will be
    fetched (1: all). `scale` per method takes the model to the server's own figure at the estimate (1: uncalibrated),
    applied to what the method costs beyond producing the outer side. `partial` says that it stands below a Gather.
    `unseen` are ways that may exist without the evidence showing them; `free_order` and `full_buckets` mark bounding
    worlds. `gathers` says that there are ways below a Gather of their own; `gather_setup` is the cost of starting one,
    given where a hash join there is refused for another method's that is cheaper, even one that was switched off.
    `by_total` says that what stands on top needs all rows, so that none of them starts sooner. `merges` says that a
    Gather Merge brings them together in order, each of which is offered to the planner, and not only the cheapest.
    `kinks` finds the outer rows after which a cost goes on otherwise. `parallel_floor` bounds what several processes
    could do a method's work for, where that is not priced. `elsewhere` are ways that the planner compares with these
    only further up, `lower` those of which a join above makes use. `top` weighs the ways with what is made of the
    rows of a query's uppermost join, where that is told.
    """

    ways: tuple[JoinWay, ...]
    executed: JoinWay | None
    fraction: float
    base_cost: float
    scale: dict[Method, float] = field(default_factory=dict)
    partial: bool = False
    unseen: tuple[UnseenWay, ...] = ()
    free_order: bool = False
    full_buckets: bool = False
    gathers: bool = False
    gather_setup: float | None = None
    kinks: Callable[[], tuple[Kink, ...]] = tuple
    parallel_floor: ParallelFloor | None = None
    by_total: bool = False
    elsewhere: Elsewhere | None = None
    lower: LowerWays | None = None
    merges: bool = False
    top: Top | None = None
    _kept: dict[Point, tuple[tuple[Method, PathCost], ...]] = field(default_factory=dict, repr=False, compare=False)
    _best: dict[Point, dict[Method, PathCost]] = field(default_factory=dict, repr=False, compare=False)

    def with_ways(self, ways: tuple[JoinWay, ...]) -> JoinModel:
        """The same model with other ways, nothing remembered."""
        return JoinModel(  # made by hand, since `replace` takes four times as long and there are thousands
            ways,
            self.executed,
            self.fraction,
            self.base_cost,
            self.scale,
            self.partial,
            self.unseen,
            self.free_order,
            self.full_buckets,
            self.gathers,
            self.gather_setup,
            self.kinks,
            self.parallel_floor,
            self.by_total,
            self.elsewhere,
            self.lower,
            self.merges,
            self.top,
        )

    @property
    def basis(self) -> Basis:
        """The weakest evidence behind any way that can decide."""
        return "plan" if any(w.basis == "plan" for w in self.ways) or not self.ways else "catalog"

    def deciding(self) -> tuple[JoinWay, ...]:
        """The ways that exist."""
        return tuple(w for w in self.ways if w.existing)

    def path(self, way: JoinWay, point: Point) -> PathCost:
        """A way's path at a point, calibrated."""
        return self.calibrated(way.method, way.cost(point))

    def cost(self, way: JoinWay, point: Point) -> float:
        """A way's cost of the fraction that will be fetched, planner cost."""
        return self.path(way, point).total_cost

    def paths(self, point: Point) -> tuple[tuple[Method, PathCost], ...]:
        """The paths of all existing ways at a point, in the planner's order; the estimate and the actual are kept."""
        known = self._kept.get(point)
        if known is None:
            found = [(w.method, w.cost(point)) for w in self.ways if w.existing]
            if self.scale:
                found = [(method, self.calibrated(method, path)) for method, path in found]
            known = tuple(found)
            if len(self._kept) < _MOST_KEPT:
                self._kept[point] = known
        return known

    def best_paths(self, point: Point) -> dict[Method, PathCost]:
        """Per method the path that the planner would keep of its existing ones at a point, were there no other method;
        on a plan's evidence, or where something above decides as well, the cheapest."""
        known = self._best.get(point)
        if known is not None:
            return known
        offered: dict[Method, list[tuple[Method, PathCost]]] = {}
        refused = self._refused(point)
        left_out: PathCost | None = None
        for method, path in self.paths(point):
            if method == "hash" and path.kind == "Gather" and path.total_cost > refused:
                if left_out is None or path.total_cost < left_out.total_cost:
                    left_out = path
                continue
            offered.setdefault(method, []).append((method, path))
        as_kept = self.basis == "catalog" and not any(w.ordered_above for w in self.ways)
        best: dict[Method, PathCost] = {}
        for method, paths in offered.items():
            kept = self._survivor(paths) if as_kept else None
            best[method] = kept[1] if kept is not None else min((p for _, p in paths), key=lambda p: p.total_cost)
        if left_out is not None and "hash" not in best:
            best["hash"] = left_out  # dearer than another method's in any case
        if point in self._kept:
            self._best[point] = best
        return best

    def _refused(self, point: Point) -> float:
        """The total cost from which a hash join below a Gather is refused, as it is tried last (hash_inner_and_outer in
        optimizer/path/joinpath.c): no figure of the server's, with methods switched off, then stands for it."""
        if self.gather_setup is None:
            return inf
        least = min((p.total_cost for m, p in self.paths(point) if m != "hash" and p.kind == "Gather"), default=inf)
        return least + (STD_FUZZ_FACTOR - 1.0) * (least - self.gather_setup)

    def costs(self, point: Point) -> dict[Method, float]:
        """Per method the cost of its cheapest existing way at a point, planner cost."""
        return {m: p.total_cost for m, p in self.best_paths(point).items()}

    def least_if_shared(self, method: Method, point: Point) -> float | None:
        """The least that a method could cost below a Gather that the model does not price, planner cost; None where
        there can be none, or it is priced."""
        cost = self.costs(point).get(method)
        if self.parallel_floor is None or cost is None or any(w.gathered and w.method == method for w in self.ways):
            return None
        return self.parallel_floor.least(cost)

    def leader(self, point: Point) -> Method | None:
        """The method that the planner would take at a point.

        Paths are offered in the planner's order and each is kept or thrown away against the one held: within 1% of
        total cost the one that starts sooner wins, else the cheaper. Source: add_path and compare_path_costs_fuzzily
        in optimizer/util/pathnode.c. Where only a part of the rows is wanted the cost of that part decides, and among
        partial paths the total cost alone (add_partial_path): of those below a Gather only the cheapest is gathered,
        and offered last (generate_gather_paths in optimizer/path/allpaths.c).
        """
        return self.winner(self.paths(point) if self.top is None else (), point)

    def winner(self, paths: Sequence[tuple[Method, PathCost]], point: Point) -> Method | None:
        """The method of the path that survives of these, all ways' at a point in the planner's order (see `leader`)."""
        if self.top is not None:
            above = self.top.at(point).taken(joined_ways(self.top, self.deciding(), point))
            return None if above is None else above.method
        kept = self._survivor(self._competing(paths, point))
        return None if kept is None else kept[0]

    def taken(self, point: Point) -> PathCost | None:
        """The path that the planner would take at a point (see `leader`)."""
        kept = self._survivor(self._competing(self.paths(point), point))
        return None if kept is None else kept[1]

    def _competing(self, paths: Sequence[tuple[Method, PathCost]], point: Point) -> Sequence[tuple[Method, PathCost]]:
        """The paths between which the planner decides: of those whose rows are put in order above only the one that
        survives before that, as only the cheapest path is sorted, or grouped by hashing."""
        ways = self.deciding()
        unordered = [n for n, w in enumerate(ways) if w.ordered_above and not w.gathered]
        if len(unordered) < 2 or self.fraction < 1.0 or self.partial:
            return paths
        held: tuple[int, PathCost] | None = None
        for number in unordered:
            way = ways[number]
            path = self.calibrated(way.method, (way.whole or way.cost)(point))
            if held is None or replaces(path, held[1]):
                held = number, path
        return [p for n, p in enumerate(paths) if n not in unordered or (held is not None and n == held[0])]

    def _survivor(self, paths: Sequence[tuple[Method, PathCost]]) -> tuple[Method, PathCost] | None:
        if self.fraction < 1.0 or self.partial:
            return min(paths, key=lambda f: f[1].total_cost) if paths else None
        if any(f[1].kind == ON_GATHER for f in paths):
            return self._kept_beside_gathers(paths)
        gathered: tuple[Method, PathCost] | None = None
        if self.gathers:
            brought = [f for f in paths if f[1].kind == "Gather"]
            gathered = min(brought, key=lambda f: f[1].total_cost, default=None)
            for found in brought if self.merges else ():
                if gathered is not None and replaces(found[1], gathered[1]):
                    gathered = found
            paths = [f for f in paths if f[1].kind != "Gather"]
        held: tuple[Method, PathCost] | None = None
        offered: set[PathCost] = set()  # a relation's scan that gave way to another stands twice among the ways
        for found in paths:
            if found[1] not in offered and (held is None or replaces(found[1], held[1])):
                held = found
            offered.add(found[1])
        if gathered is None or held is None:
            return held or gathered
        return gathered if gather_replaces(gathered[1], held[1], by_total=self.by_total) else held

    def _kept_beside_gathers(self, paths: Sequence[tuple[Method, PathCost]]) -> tuple[Method, PathCost]:
        """The survivor where joins read a side through a Gather: like a Gather on top these never throw away a path
        that could run below one, and among each other they are weighed as any."""
        brought = [f for f in paths if f[1].kind == "Gather"]
        kept = PathList()
        for method, path in dict.fromkeys(f for f in paths if f[1].kind != "Gather"):
            kept.add(Candidate(method, path, 0, safe=path.kind != ON_GATHER))
        alone = cheapest(kept.paths)
        if brought and self.by_total:
            gathered = min(brought, key=lambda f: f[1].total_cost)
            return gathered if gather_replaces(gathered[1], alone.path, by_total=True) else alone[:2]
        if brought and not self.merges:
            brought = [min(brought, key=lambda f: f[1].total_cost)]
        for method, path in brought:
            kept.add(Candidate(method, path, 0, safe=False))
        return cheapest(kept.paths)[:2]

    def rival_elsewhere(self, point: Point, estimate: Point) -> Method | None:
        """The method that could lead at a point on the footing that the planner compares only further up (see
        `Elsewhere`); None where there is none such."""
        if self.elsewhere is None:
            return None

        def own(at: Point) -> float:
            taken = self.taken(at)
            return inf if taken is None else taken.total_cost

        return self.elsewhere.rival(point, estimate, own)

    def calibrated(self, method: Method, path: PathCost) -> PathCost:
        """A method's path, taken to the server's own figure at the estimate (see `scale`)."""
        factor = self.scale.get(method, 1.0)
        if factor == 1.0:
            return path
        base = min(self.base_cost, path.total_cost)
        startup_base = min(base, path.startup_cost)
        return path._replace(
            startup_cost=startup_base + (path.startup_cost - startup_base) * factor,
            total_cost=base + (path.total_cost - base) * factor,
        )
