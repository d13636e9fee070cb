"""The ways to run a query's uppermost join, each with what is made of its rows."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from rowreckon.cost import PathCost
from rowreckon.cost.selectivity import GroupRelation, estimate_num_groups
from rowreckon.cost.units import clamp_row_est
from rowreckon.joins.above.add_path import ON_GATHER
from rowreckon.joins.above.top import Joined, RowsAt, Top
from rowreckon.joins.facts.inputs import JoinInput, Point
from rowreckon.joins.facts.known_relation import KnownRelation, distinct_values
from rowreckon.joins.facts.rows_below import moved_with
from rowreckon.joins.ways.all_ways import JoinWay
from rowreckon.joins.ways.below_gather import output_rows
from rowreckon.plan.node_texts import key_columns

if TYPE_CHECKING:
    from rowreckon.joins.facts.catalog_facts import CatalogFacts
    from rowreckon.joins.facts.join_at_hand import JoinAtHand
    from rowreckon.joins.ways.wanted_output import Wanted


_FEW = 100.0
"""Rows of which the groups are rounded so much that they tell no factor (common practice, no source)."""


def top_of(case: JoinAtHand, join: JoinInput, known: CatalogFacts, wanted: Wanted) -> Top | None:
    """What stands above a join with all that its cost takes, None where nothing is told of it."""
    above = wanted.top
    if above is None:
        return None
    rows_at = output_rows(join, case.facts.output_rows * case.facts.processes)
    grouped = above.groups if above.kind != "order" else None
    return Top(
        settings=case.settings,
        above=above,
        rows_at=rows_at,
        groups_at=_groups(join, known, above.keys, rows_at, grouped),
        first_at=_groups(join, known, (above.leading,) if above.leading else above.keys[:1], rows_at, None),
        width=max(wanted.width, 1),
    )


class ToppedCost:
    """What a way costs with all above it, as a function of the point; `own` is its own cost."""

    __slots__ = ("_method", "_sorted_by", "_top", "_workers", "own")

    def __init__(self, top: Top, way: JoinWay) -> None:
        self.own = way.cost
        self._top, self._method, self._workers = top, way.method, way.workers
        self._sorted_by = top.sorted_by(way.order, way.further)

    def __call__(self, point: Point) -> PathCost:
        """The way's path with all above it."""
        return self._top.at(point).beyond_grouping(self.joined(point))

    def joined(self, point: Point) -> Joined:
        """The way at a point as it is weighed."""
        path = self.own(point)
        return Joined(self._method, path, self._sorted_by, self._workers, path.kind != ON_GATHER)


def topped(top: Top, alone: Iterable[JoinWay], shared: Iterable[JoinWay]) -> list[JoinWay]:
    """The ways by what each costs with all above it; `JoinWay.whole` keeps their own cost."""
    found = [*alone, *(way for way in shared if way.existing)]
    return [
        replace(way, cost=ToppedCost(top, way), whole=way.cost, gathered=way.workers > 0, ordered_above=True)
        for way in found
    ]


def joined_ways(top: Top, ways: Iterable[JoinWay], point: Point) -> Iterator[Joined]:
    """Ways at a point as they are weighed."""
    for way in ways:
        if isinstance(way.cost, ToppedCost):
            yield way.cost.joined(point)
        else:
            path = (way.whole or way.cost)(point)
            sorted_by = top.sorted_by(way.order, way.further)
            yield Joined(way.method, path, sorted_by, way.workers, path.kind != ON_GATHER)


def taken_alone(top: Top, ways: list[JoinWay], executed: JoinWay | None, estimate: Point) -> list[JoinWay]:
    """The ways, without those that several processes share where one of these would have been taken at the estimates:
    as the planner took what it took, they were not at hand."""
    if executed is None or executed.gathered:
        return ways
    taken = top.at(estimate).taken(joined_ways(top, (w for w in ways if w.existing), estimate))
    if taken is None or taken.workers == 0:
        return ways
    return [w for w in ways if not w.gathered]


def _groups(
    join: JoinInput, known: CatalogFacts, keys: tuple[str, ...], rows_at: RowsAt, expected: float | None
) -> RowsAt:
    """How many groups these keys make of the join's rows; `expected` are those at the estimate, where a plan tells.

    Source: estimate_num_groups in utils/adt/selfuncs.c; what its statistics leave out is kept as a factor.
    """
    columns: dict[str, tuple[KnownRelation, list[float]]] = {}
    for column in dict.fromkeys(column for key in keys for column in key_columns(key)):
        relation = known.by_alias(column.table)
        if relation is None or relation.column(column.column) is None:
            return lambda point: min(expected or 200.0, rows_at(point))
        columns.setdefault(relation.alias, (relation, []))[1].append(distinct_values(relation, column.column)[0])
    if not columns:
        return lambda point: min(expected or 200.0, rows_at(point))

    def groups(point: Point) -> float:
        found = [
            GroupRelation(tuple(distinct), _rows_of(join, relation, point), relation.size.tuples)
            for relation, distinct in columns.values()
        ]
        return estimate_num_groups(found, rows_at(point))

    estimate = Point(join.outer.rows, join.inner.rows)
    if expected is None or rows_at(estimate) < _FEW:
        return groups
    factor = expected / max(groups(estimate), 1.0)
    return lambda point: clamp_row_est(min(groups(point) * factor, rows_at(point)))


def _rows_of(join: JoinInput, relation: KnownRelation, point: Point) -> float:
    """The rows of a relation below the join at a point."""
    for side, rows in ((join.outer, point.outer), (join.inner, point.inner)):
        if side.relation is not None and side.relation.alias == relation.alias:
            return clamp_row_est(relation.rows * moved_with(side, rows, relation.rows, None))
    return relation.rows
