"""A query's uppermost join with what is made of its rows, as the planner weighs all of that together.

A path that comes in order spares a sort, or a part of it; a Gather may stand below the sort or above it; groups are
found in order or by hashing, by each process first or by one. Which join is taken is decided by the whole.
Source: generate_useful_gather_paths in optimizer/path/allpaths.c, create_ordered_paths, add_paths_to_grouping_rel,
create_partial_grouping_paths and create_final_distinct_paths in optimizer/plan/planner.c, releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import field
from typing import NamedTuple

from rowreckon.cost import CostSettings, PathCost, cost_gather, cost_gather_merge, cost_sort, partial_rows
from rowreckon.cost.capabilities import shares_distinct, sorts_in_part_for_distinct
from rowreckon.cost.gather import gather_merge_rows, gather_rows
from rowreckon.cost.grouping import Grouping, group_by_hashing, group_in_order
from rowreckon.cost.path import made_path
from rowreckon.cost.sort import cost_incremental_sort
from rowreckon.document.audit import Method
from rowreckon.frozen import frozen
from rowreckon.joins.above.path_list import Candidate, PathList, cheapest
from rowreckon.joins.above.top_above import TopAbove
from rowreckon.joins.facts.inputs import Point

RowsAt = Callable[[Point], float]


class Joined(NamedTuple):
    """A way to run the join at a point: its own path, how many of the keys it comes sorted by, its workers, and whether
    it could run below a Gather (`safe`)."""

    method: Method
    path: PathCost
    sorted_by: int
    workers: int = 0
    safe: bool = True


@frozen
class Top:
    """What stands above the join, with all that its cost takes: `rows_at` are the join's rows over all processes,
    `groups_at` the groups by all keys, `first_at` those by the first key alone; `width` is that of its rows (bytes)."""

    settings: CostSettings
    above: TopAbove
    rows_at: RowsAt
    groups_at: RowsAt
    first_at: RowsAt
    width: int
    _last: dict[Point, Weighing] = field(default_factory=dict, repr=False, compare=False)

    def at(self, point: Point) -> Weighing:
        """The weighing of ways at a point; the last one is kept, since all ways are asked about one point at a time."""
        known = self._last.get(point)
        if known is None:
            self._last.clear()
            known = self._last[point] = Weighing(self, point)
        return known

    def sorted_by(self, order: tuple[str, ...], further: tuple[str, ...]) -> int:
        """How many of the keys rows come sorted by: of `order` any expression is the first, `further` ones follow."""
        keys = self.above.keys
        first = keys[:1] if self.above.kind == "order" else keys
        if not any(key in order for key in first):
            return 0
        following = [key for key, given in zip(keys[1:], further, strict=False) if key == given]
        return 1 + len(following)


class Weighing:
    """The paths at one point."""

    def __init__(self, top: Top, point: Point) -> None:
        self.settings, self.above = top.settings, top.above
        self.rows, self.width = top.rows_at(point), top.width
        self.groups, self.first = top.groups_at(point), top.first_at(point)
        self.keys = len(top.above.keys)
        operator = self.settings.cpu_operator_cost
        self.grouping = Grouping(self.keys, top.above.calls, operator * top.above.calls)
        self.combining = Grouping(self.keys, top.above.calls, operator * top.above.calls)
        self._spent = self._spent_in_any_case()
        self._partial: dict[int, float] = {0: self.rows}

    def _spent_in_any_case(self) -> float:
        """What grouping costs in order as by hashing."""
        if self.above.kind == "order":
            return 0.0
        handed_up = 0.0 if self.above.calls == 0 else self.settings.cpu_tuple_cost * self.groups
        return self.grouping.row_cost(self.settings) * self.rows + handed_up

    def beyond_grouping(self, joined: Joined) -> PathCost:
        """What one way costs by itself, without what is spent on the groups whichever way brings their rows."""
        found = self.taken((joined,))
        assert found is not None
        total = found.path.total_cost - self._spent
        kind = "Gather" if joined.workers else joined.path.kind
        return found.path._replace(startup_cost=min(found.path.startup_cost, total), total_cost=total, kind=kind)

    def at_least(self, joined: Joined) -> PathCost:
        """A path that costs no more than `beyond_grouping` of this way: what stands above only adds to a join's cost,
        but that several processes may share the grouping."""
        return joined.path if joined.workers == 0 else _cheaper(joined.path, self._spent)

    def taken(self, joined: Iterable[Joined]) -> Candidate | None:
        """What the planner takes of these ways, with the path that it makes of it; None where there is none."""
        whole, shared = PathList(), PathList(partial=True)
        for way in dict.fromkeys(joined):  # a relation's scan that gave way to another stands twice among the ways
            path = self._with_rows(way.path, way.workers)
            (shared if way.workers else whole).add(Candidate(way.method, path, way.sorted_by, way.workers, way.safe))
        for gathered in self._gathered(shared):
            whole.add(gathered)
        if not whole.paths:
            return None
        found = PathList()
        for candidate in self._finished(whole, shared):
            found.add(candidate)
        return cheapest(found.paths)

    def _with_rows(self, path: PathCost, workers: int) -> PathCost:
        """A way's path with the rows of each process and the width that count here."""
        rows = self._partial.get(workers)
        if rows is None:
            rows = self._partial[workers] = partial_rows(self.settings, self.rows, workers)
        return made_path((path[0], path[1], rows, self.width, *path[4:]))

    def _gathered(self, shared: PathList) -> Iterator[Candidate]:
        """What Gather and Gather Merge bring together of the partial paths."""
        if not shared.paths:
            return
        least = cheapest(shared.paths)
        path = cost_gather(self.settings, least.path, self.rows)
        yield Candidate(least.method, path, 0, safe=False)
        for partial in shared.paths:
            if partial.sorted_by:
                yield self._merged(partial)
        for partial in shared.paths:
            for ordered in self._sorted(partial, partial is least):
                if ordered is not partial:
                    yield self._merged(ordered)

    def _merged(self, partial: Candidate) -> Candidate:
        rows = gather_merge_rows(self.settings, partial.path.rows, partial.workers)
        path = cost_gather_merge(self.settings, partial.path, rows, partial.workers)
        return Candidate(partial.method, path, partial.sorted_by, safe=False)

    def _sorted(self, held: Candidate, least: bool, *, in_part: bool = True) -> Iterator[Candidate]:
        """A path in the order of all keys: as it comes, sorted in part, or sorted whole if it is the cheapest."""
        if held.sorted_by >= self.keys:
            yield held
            return
        if held.sorted_by and in_part and self.settings.enable_incremental_sort:
            path = cost_incremental_sort(self.settings, held.path, self.first)
            yield held._replace(path=path, sorted_by=self.keys)
        if least:
            yield held._replace(path=cost_sort(self.settings, held.path), sorted_by=self.keys)

    def _finished(self, whole: PathList, shared: PathList) -> Iterator[Candidate]:
        """All paths of the query's level above the join."""
        least = cheapest(whole.paths)
        kind = self.above.kind
        in_part = kind != "distinct" or sorts_in_part_for_distinct(self.settings.server_major)
        for held in whole.paths:
            for ordered in self._sorted(held, held is least, in_part=in_part):
                yield ordered if kind == "order" else self._in_order(ordered, self.grouping)
        if kind == "order":
            return
        if self.above.hashes:
            yield self._hashed(least, self.grouping, self.groups)
        if shared.paths and self._shares():
            yield from self._grouped_twice(shared.paths, cheapest(shared.paths))

    def _shares(self) -> bool:
        distinct = self.above.kind == "distinct"
        return self.above.shares and (not distinct or shares_distinct(self.settings.server_major))

    def _in_order(self, held: Candidate, grouping: Grouping) -> Candidate:
        path = group_in_order(self.settings, held.path, grouping, self.groups)
        if self.above.calls == 0:
            freed = self.settings.cpu_tuple_cost * self.groups  # Unique and Group charge nothing for what they hand up
            path = path._replace(total_cost=path.total_cost - freed)
        return held._replace(path=path)

    def _hashed(self, held: Candidate, grouping: Grouping, groups: float) -> Candidate:
        return held._replace(path=group_by_hashing(self.settings, held.path, grouping, groups), sorted_by=0)

    def _grouped_twice(self, shared: Sequence[Candidate], least: Candidate) -> Iterator[Candidate]:
        """Groups that each process finds in its own rows, brought together and grouped once more."""
        own = min(self.groups, least.path.rows)
        if self.above.hashes:
            part = self._hashed(least, self.grouping, own)
            handed = gather_rows(self.settings, own, least.workers)
            brought = part._replace(path=cost_gather(self.settings, part.path, handed), safe=False)
            yield self._hashed(brought, self.combining, self.groups)
            ordered = brought._replace(path=cost_sort(self.settings, brought.path), sorted_by=self.keys)
            yield self._in_order(ordered, self.combining)
            merged = self._merged(part._replace(path=cost_sort(self.settings, part.path), sorted_by=self.keys))
            yield self._in_order(merged, self.combining)
        for held in shared:
            for ordered in self._sorted(held, held is least):
                path = group_in_order(self.settings, ordered.path, self.grouping, min(self.groups, held.path.rows))
                yield self._in_order(self._merged(ordered._replace(path=path)), self.combining)


def _cheaper(path: PathCost, by: float) -> PathCost:
    total = path.total_cost - by
    return path._replace(startup_cost=min(path.startup_cost, total), total_cost=total)
