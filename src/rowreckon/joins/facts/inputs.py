"""What the cost model needs of a join, whatever evidence it came from.

A `Point` is where costs are asked for; an `Orientation` is one order of the sides. Both orders of one join share their
figures. Rows are per execution, and over all processes unless a path is partial.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import NamedTuple, Protocol

from rowreckon.cost import HashKey, MergeScanSelectivity, PathCost
from rowreckon.cost.path import made_path
from rowreckon.cost.units import DEFAULT_NUM_DISTINCT, clamp_row_est
from rowreckon.counts.interval import Interval
from rowreckon.document.audit import Basis
from rowreckon.frozen import frozen
from rowreckon.joins.facts.known_relation import KnownIndex, KnownRelation
from rowreckon.joins.facts.own_filter import AS_EXPECTED
from rowreckon.learned.facts import ColumnName

TURNED_KIND = {
    "Inner": "Inner",
    "Left": "Right",
    "Right": "Left",
    "Full": "Full",
    "Semi": "Right Semi",
    "Right Semi": "Semi",
    "Anti": "Right Anti",
    "Right Anti": "Anti",
}


class Point(NamedTuple):
    """Row counts at which a join is priced, per execution and over all processes.

    `outer` and `inner` are the rows of the executed join's two sides, each by itself. `ratio` is the factor by which
    pairs match more often than estimated. `match_frac` is the share of outer rows with a match where the join stops
    at the first one and its output was counted, else None (as estimated). `filtered` is the part of `ratio` that the
    clauses account for which no hash table and no merge looks up, where the pairs that they rejected were counted.
    """

    outer: float
    inner: float
    ratio: float = 1.0
    match_frac: float | None = None
    filtered: float = 1.0

    @property
    def found(self) -> float:
        """How many times more pairs than estimated are found before the other clauses filter them."""
        return self.ratio / self.filtered


def with_rows(path: PathCost, rows: float) -> PathCost:
    """The path if it delivered another number of rows at the same cost; searches make it thousands of times."""
    startup, total, _, width, again_startup, again_total, disabled, kind = path
    return made_path((startup, total, rows, width, again_startup, again_total, disabled, kind))


def _between(here: PathCost, there: PathCost, way: float) -> PathCost:
    return here._replace(
        startup_cost=here.startup_cost + (there.startup_cost - here.startup_cost) * way,
        total_cost=here.total_cost + (there.total_cost - here.total_cost) * way,
        rescan_startup_cost=here.rescan_startup_cost + (there.rescan_startup_cost - here.rescan_startup_cost) * way,
        rescan_total_cost=here.rescan_total_cost + (there.rescan_total_cost - here.rescan_total_cost) * way,
    )


def _handed_over(path: PathCost, rows: float, more: float) -> PathCost:
    """The path if it delivered another number of rows, at a cost that differs by `more`."""
    startup, total, _, width, again_startup, again_total, disabled, kind = path
    return made_path((startup, total + more, rows, width, again_startup, again_total + more, disabled, kind))


class SidePath(NamedTuple):
    """One way to produce a side by itself, and the column expressions that it comes sorted by (none: unsorted).

    `actual` is given where the side is a join: what it would cost had its own inputs been expected as they came.
    `per_row` is what each row beyond the estimate adds: a Gather hands over rows one by one. `workers` is given where
    several processes share the path, each with its part of the rows; `safe` says that no Gather stands in it, so that
    each process of another one could run it in full. `other` is a path that the planner weighs against it: with more
    rows a Gather costs more, and a scan by one process as much as before. `at` gives the path at any number of rows
    where it costs more with them otherwise than in a straight line.
    """

    path: PathCost
    order: tuple[str, ...] = ()
    access: str = ""
    actual: PathCost | None = None
    per_row: float = 0.0
    workers: int = 0
    safe: bool = True
    other: SidePath | None = None
    at: Callable[[float], PathCost] | None = None


@frozen
class SideInput:
    """One side of a join: its rows at the estimate, width (bytes), ways to produce it, and its relation if known.

    `single` says that it is one relation's scan, whose rows are the side's. `partial_paths` share their rows between
    the processes of a Gather; rows here are those of all processes together. `parameters` are, for each value that
    the other side could be searched by, the relations that could give it: estimated rows and actual ones.
    `actual_ratio` is the side's own actual ÷ estimate. `members` are the partitions of a partitioned table.
    `own_factor` is given for a parameterised side: between how many times more rows than expected its relation's own
    conditions let through. `gathers` says that the cheapest way to scan it by itself is a Gather, which no join below
    another Gather can use.
    """

    rows: float
    width: int
    paths: tuple[SidePath, ...]
    relation: KnownRelation | None
    single: bool
    partial_paths: tuple[SidePath, ...]
    parameters: tuple[tuple[tuple[float, float | None], ...], ...]
    actual_ratio: float | None = None
    members: tuple[KnownRelation, ...] = ()
    own_factor: Interval = AS_EXPECTED
    gathers: bool = False

    def pricer(self, path: SidePath, processes: float = 1.0) -> Callable[[float], PathCost]:
        """A way to produce the side, by the rows that it gives in each of the processes.

        The cost of a join below goes from its estimate to its actual in a straight line, and stays there beyond.
        """
        if path.other is not None:
            return self._weighed(path, path.other)
        if path.at is not None:
            return path.at
        further = 0.0 if self.actual_ratio is None else (self.actual_ratio - 1.0) * self.rows
        there, per_row, expected = path.actual, path.per_row, self.rows / processes
        if there is None or abs(further) < 1.0:
            if per_row <= 0.0:
                return partial(with_rows, path.path)
            return lambda rows: _handed_over(path.path, rows, per_row * (rows - expected))

        def at(rows: float) -> PathCost:
            way = min(max((rows * processes - self.rows) / further, 0.0), 1.0)
            return _handed_over(_between(path.path, there, way), rows, per_row * (rows - expected))

        return at

    def gathers_at(self, path: SidePath, rows: float) -> bool:
        """Whether a way to produce the side has a Gather in it where so many rows are expected of it."""
        if path.other is None:
            return not path.safe
        here, there = self.pricer(path._replace(other=None))(rows), self.pricer(path.other)(rows)
        return not (path if here.total_cost <= there.total_cost else path.other).safe

    def _weighed(self, path: SidePath, other: SidePath) -> Callable[[float], PathCost]:
        here = self.pricer(path._replace(other=None))
        there = self.pricer(other)

        def at(rows: float) -> PathCost:
            one, two = here(rows), there(rows)
            return one if one.total_cost <= two.total_cost else two

        return at


@frozen
class KeyInput:
    """One side of a join clause: column or expression, its distinct values and frequencies in the whole relation.

    `without_statistics` marks a side that is no table, whose distinct values follow its rows. `relation_actual` are the
    rows that came of the relation, None where they were not counted. `share` is given where the relation's tuples are
    taken to be its rows, of which a share is distinct values. `calls` are those that evaluating an expression costs.
    `counted_anew` says that a subquery gives the relation, whose tuples are its rows; `of_whole` that the figures are
    those of a partitioned table, of which the relation is the one partition left. `hashable` says whether values of its
    type can be hashed, None where that is not known.
    """

    alias: str | None
    text: str
    column: str | None
    ndistinct: float | None
    null_frac: float = 0.0
    mcv_freq: float = 0.0
    relation_rows: float = 0.0
    relation_tuples: float = 0.0
    width: int = 0
    unique: bool = False
    without_statistics: bool = False
    relation_actual: float | None = None
    share: float | None = None
    calls: float = 0.0
    counted_anew: bool = False
    of_whole: bool = False
    hashable: bool | None = None

    def distinct(self, moved: float = 1.0) -> float | None:
        """Distinct values, None where only a default is known; few rows without statistics count as all different."""
        if self.share is not None:
            return clamp_row_est(self.share * clamp_row_est(self.relation_rows * moved))
        if not self.without_statistics:
            return self.ndistinct
        rows = clamp_row_est(self.relation_rows * moved)
        return rows if rows < DEFAULT_NUM_DISTINCT else None

    def tuples(self, rows: float) -> float:
        """The relation's tuples where `rows` rows are expected of it."""
        return rows if self.without_statistics or self.share is not None or self.counted_anew else self.relation_tuples

    def hash_key(self, moved: float = 1.0) -> HashKey:
        """The key's statistics as a hash join's inner key, its relation's rows moved by a factor."""
        rows = self.relation_rows if moved == 1.0 else clamp_row_est(self.relation_rows * moved)
        tuples = self.tuples(rows)
        return HashKey(self.distinct(moved), self.null_frac, self.mcv_freq, rows, tuples)


@frozen
class ClauseInput:
    """One join clause with its figures.

    `selectivity` is the inner join's, among all pairs; `semi` the share of outer rows with a match. `scan` are the
    fractions of both inputs that a merge on it reads. `calls` are operator calls per pair.
    """

    operator: str
    selectivity: float
    semi: float | None
    outer: KeyInput
    inner: KeyInput
    can_hash: bool
    can_merge: bool
    scan: MergeScanSelectivity
    calls: float = 1.0
    turned_semi: float | None = None

    @property
    def filters(self) -> bool:
        """Whether it only filters the pairs that a hash table or a merge finds by other clauses."""
        return not self.can_hash and not self.can_merge

    def turned(self) -> ClauseInput:
        """The same clause with its sides exchanged."""
        scan = self.scan
        return replace(
            self,
            outer=self.inner,
            inner=self.outer,
            semi=self.turned_semi,
            turned_semi=self.semi,
            operator={"<": ">", ">": "<", "<=": ">=", ">=": "<="}.get(self.operator, self.operator),
            scan=MergeScanSelectivity(scan.inner_start, scan.inner_end, scan.outer_start, scan.outer_end),
        )


@frozen
class ParameterisedAccess:
    """The executed nested loop's inner side, where only the plan tells of it.

    `at` gives one execution's path, for a number of executions. `exact` says that its printed cost is precise enough to
    reckon the join's from it, without the join's own.
    """

    at: Callable[[float], PathCost]
    access: str
    index: str | None
    indexed: bool
    exact: bool
    memoized: bool


class Uniqueness(Protocol):
    """How many rows of a side are left once duplicates of its keys are removed."""

    def rows(self, side_rows: float) -> float:
        """The rows that are left of `side_rows`."""
        ...


@frozen
class JoinInput:
    """A join in one order of its sides.

    `kind` is EXPLAIN's join type for this order. `unique` says that an outer row matches one inner row at most.
    `workers` is 0 where the join is not partial; else `processes` divides rows among them (the parallel divisor), and
    the outer side is read by its partial paths. `match_frac` is the share of outer rows with a match where the server
    answered for all clauses together. `executed_inner` stands in for the inner side's indexes where only the plan
    tells of them, and `turned_inner` for the outer side's; `executed_index` names an index that the plan reads without
    the table. The `…made_unique` say that a semijoin is run as an inner join over a side without duplicates.
    `free_order` marks a world in which every relation comes in the order of the join columns for nothing,
    `full_buckets` one whose hash buckets are fuller than their average: bounds, no likelihoods. `parameters_came` are
    the different keys among the outer rows that came, where the run proves the statistics wrong. `order` is the one in
    which the output is taken as it comes (empty: none is), `useful_order` one that would spare a sort. `index_gone`
    names a relation in a world where an index that files declare of it is not there; `open_keys` a column of which
    nobody tells how many values drive a loop with Memoize, in a world where these are as few as the plan leaves
    possible.
    """

    turned: bool
    kind: str
    outer: SideInput
    inner: SideInput
    clauses: tuple[ClauseInput, ...]
    unique: bool
    workers: int
    processes: float
    shared_hash: bool
    total_table_pages: float
    output_rows: float
    basis: Basis
    match_frac: float | None = None
    executed_inner: ParameterisedAccess | None = None
    executed_index: str | None = None
    inner_made_unique: Uniqueness | None = None
    outer_made_unique: Uniqueness | None = None
    free_order: bool = False
    full_buckets: bool = False
    parameters_came: float | None = None
    order: tuple[str, ...] = ()
    useful_order: tuple[str, ...] = ()
    turned_inner: ParameterisedAccess | None = None
    index_gone: str | None = None
    open_keys: ColumnName | None = None

    @property
    def selectivity(self) -> float:
        """Share of all pairs that match every clause."""
        product = 1.0
        for clause in self.clauses:
            product *= clause.selectivity
        return product

    @property
    def outer_paths(self) -> tuple[SidePath, ...]:
        """The ways to read the outer side, the cheapest first; those of this number of workers where it is partial."""
        if self.workers == 0:
            return self.outer.paths
        return tuple(p for p in self.outer.partial_paths if p.workers in (0, self.workers))

    def outer_pricer(self, path: SidePath) -> Callable[[float], PathCost]:
        """A way to produce the outer side, by the rows that it gives in one process."""
        return self.outer.pricer(path, self.processes if self.workers > 0 else 1.0)

    def inner_pricer(self, path: SidePath) -> Callable[[float], PathCost]:
        """A way to produce the inner side in full, by its rows."""
        return self.inner.pricer(path)

    def whole_outer(self, point: Point) -> float:
        """Outer rows of all processes at a point, in this order of the sides."""
        outer = point.inner if self.turned else point.outer
        return outer if self.outer_made_unique is None else self.outer_made_unique.rows(outer)

    def rows_at(self, point: Point) -> tuple[float, float]:
        """Outer rows of one process and inner rows at a point, in this order of the sides."""
        outer, inner = (point.inner, point.outer) if self.turned else (point.outer, point.inner)
        if self.inner_made_unique is not None:
            inner = self.inner_made_unique.rows(inner)
        elif self.outer_made_unique is not None:
            outer = self.outer_made_unique.rows(outer)
        return (clamp_row_est(outer / self.processes) if self.workers > 0 else outer), inner


__all__ = [
    "TURNED_KIND",
    "ClauseInput",
    "JoinInput",
    "KeyInput",
    "KnownIndex",
    "ParameterisedAccess",
    "Point",
    "SideInput",
    "SidePath",
    "with_rows",
]
