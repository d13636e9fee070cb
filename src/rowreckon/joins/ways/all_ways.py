"""The ways to run a join: every method, order of the sides and access that is permitted, each as a cost function."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Literal

from rowreckon.cost import CostSettings, PathCost
from rowreckon.document.audit import Basis, Method
from rowreckon.frozen import frozen
from rowreckon.joins.above.add_path import ON_GATHER
from rowreckon.joins.facts.inputs import JoinInput, Point, SidePath
from rowreckon.joins.ways.hash_joins import hash_ways
from rowreckon.joins.ways.merge_joins import Built as MergeBuilt
from rowreckon.joins.ways.merge_joins import presorted_merges, sorted_merges
from rowreckon.joins.ways.nested_loops import nested_loop_ways

CostAt = Callable[[Point], PathCost]
MadeUnique = Literal["", "inner", "outer"]


@frozen
class JoinWay:
    """One way to run the join.

    `cost` gives its path at a point. `existing` is false for a way that needs an index which isn't there: such a way
    never decides. `sorts` says which sides a merge join sorts, `merged` by how many clauses it merges, `shared` that
    all processes build one hash table, `unique` which side of it a semijoin makes unique first, `solved` that its cost
    was solved from the join's own printed one, `workers` by how many besides the leader it is shared (0: by none),
    `gathered` that its cost holds the Gather on top. `order` are expressions of which any may be the first that it
    delivers in order, `further` those that follow it. `whole` is its own path where `cost` prices only the rows that
    are wanted, or a Gather on top; `ordered_above` says that `cost` holds what puts its rows in the order that is
    wanted.
    """

    method: Method
    access: str
    index: str | None
    turned: bool
    basis: Basis
    cost: CostAt
    existing: bool = True
    sorts: tuple[bool, bool] = (False, False)
    merged: int = 0
    shared: bool = False
    unique: MadeUnique = ""
    solved: bool = False
    gathered: bool = False
    workers: int = 0
    order: tuple[str, ...] = ()
    further: tuple[str, ...] = ()
    whole: CostAt | None = None
    ordered_above: bool = False


def _merge(join: JoinInput, built: MergeBuilt, unique: MadeUnique) -> JoinWay:
    access, sorts, cost, order, further, merged, sides = built
    return JoinWay(
        "merge",
        access,
        None,
        join.turned,
        join.basis,
        _told(join, cost, sides),
        sorts=sorts,
        merged=merged,
        unique=unique,
        order=order,
        further=further,
    )


def _told(join: JoinInput, cost: CostAt, sides: tuple[SidePath, SidePath | None]) -> CostAt:
    """The cost function, whose path tells where it reads one of these sides through a Gather."""
    if join.workers > 0 or (_is_safe(sides[0]) and _is_safe(sides[1])):
        return cost  # mostly
    read = [
        (side, path, number)
        for number, (side, path) in enumerate(zip((join.outer, join.inner), sides, strict=True))
        if path is not None and not _is_safe(path)
    ]

    def told(point: Point) -> PathCost:
        rows, path = join.rows_at(point), cost(point)
        gathers = any(side.gathers_at(way, rows[number]) for side, way, number in read)
        return path._replace(kind=ON_GATHER) if gathers else path

    return told


def _is_safe(path: SidePath | None) -> bool:
    """Whether no Gather stands in what a join reads of a side, however many rows that has."""
    return path is None or (path.safe and (path.other is None or path.other.safe))


def ways_of(settings: CostSettings, join: JoinInput) -> Iterator[JoinWay]:
    """All ways in this order of the sides, in the order in which the planner tries them."""
    unique: MadeUnique = "inner" if join.inner_made_unique is not None else ""
    if join.outer_made_unique is not None:
        unique = "outer"
    for merge in sorted_merges(settings, join):
        yield _merge(join, merge, unique)
    for loop in nested_loop_ways(settings, join):
        yield JoinWay(
            "nested_loop",
            loop[0],
            loop[1],
            join.turned,
            join.basis,
            _told(join, loop[2], loop[7]),
            existing=loop[3],
            unique=unique,
            solved=loop[4],
            order=loop[5],
            further=loop[6],
        )
    for merge in presorted_merges(settings, join):
        yield _merge(join, merge, unique)
    for hashed in hash_ways(settings, join):
        cost = _told(join, hashed[2], hashed[3])
        yield JoinWay("hash", hashed[0], None, join.turned, join.basis, cost, shared=hashed[1], unique=unique)
