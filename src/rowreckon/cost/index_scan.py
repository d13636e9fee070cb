"""Scans of B-tree and hash indexes, and index-only scans.

Source: cost_index in optimizer/path/costsize.c; genericcostestimate, btcostestimate, btcost_correlation and
hashcostestimate in utils/adt/selfuncs.c, releases 13 to 18; documentation, 'Index Cost Estimation Functions'.
Not modelled: GiST, SP-GiST, GIN and BRIN indexes, which have estimators of their own.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, log
from typing import NamedTuple

from rowreckon.cost.capabilities import caps_array_scans
from rowreckon.cost.gather import parallel_divisor
from rowreckon.cost.pages import index_pages_fetched
from rowreckon.cost.path import FREE, PathCost, QualCost, made_path
from rowreckon.cost.relation import RelationSize
from rowreckon.cost.settings import CostSettings
from rowreckon.cost.units import DEFAULT_RANGE_INEQ_SEL, clamp_row_est, float4, rint
from rowreckon.frozen import frozen

_PAGE_CPU_MULTIPLIER = 50.0


@frozen
class IndexShape:
    """A B-tree or hash index: pages, tuples (the table's, unless it has a predicate), levels below the root.

    `tree_height` is the level of the fast root, 0 for a single leaf page. `correlation` is pg_stats' for the first
    column (0 where there are no statistics), `descending` says that this column is sorted DESC. A `hashed` index has
    neither levels nor an order.
    """

    pages: float
    tuples: float
    tree_height: int
    unique: bool = False
    nkeycolumns: int = 1
    correlation: float = 0.0
    descending: bool = False
    random_page_cost: float | None = None
    hashed: bool = False

    def __post_init__(self) -> None:
        object.__setattr__(self, "correlation", float4(self.correlation))

    @property
    def index_correlation(self) -> float:
        """Correlation of index and table order: the first column's, damped where more columns follow."""
        order = -self.correlation if self.descending else self.correlation
        return order * 0.75 if self.nkeycolumns > 1 else order


@frozen
class IndexCondition:
    """What a scan asks of the index.

    `selectivity` is that of all index quals and the index's predicate, as a fraction of the table's tuples.
    `boundary_selectivity` counts only the quals that bound the range read: equality on leading columns and the
    first inequality. `num_quals` counts index quals (BETWEEN is two) and ORDER BY operators. `num_sa_scans` is the
    number of descents per scan that the boundary quals need: the product of the array lengths of `= ANY`, and of
    the values of skipped columns (18, see `skip_scan`). `unique_match` says that equality (no array, no IS NULL)
    pins every column of a unique index. `operand` is the cost of the compared expressions.
    """

    selectivity: float
    boundary_selectivity: float
    num_quals: int = 1
    num_sa_scans: float = 1.0
    unique_match: bool = False
    operand: QualCost = FREE


class IndexAccessCost(NamedTuple):
    """What one scan of the index itself costs (planner cost), without the table's pages."""

    startup_cost: float
    total_cost: float
    selectivity: float
    correlation: float
    index_pages: float


class SkippedColumn(NamedTuple):
    """A leading index column without equality: its distinct values (None where only a default is known), and the
    selectivity of the inequality on it, or None where it has no condition at all."""

    ndistinct: float | None
    range_selectivity: float | None = None


def skip_scan(index_pages: float, num_sa_scans: float, skipped: Sequence[SkippedColumn]) -> tuple[float, bool]:
    """Descents per scan once leading columns are skipped, and whether the quals behind them bound the scan (18).

    It is given up, and descents stay as they were, where a column's distinct count is a mere default, where the
    inequality leaves too little of it, or where more descents than index pages would result.
    """
    scans = num_sa_scans
    for column in skipped:
        if column.ndistinct is None:
            return num_sa_scans, False
        values = column.ndistinct
        if column.range_selectivity is None:
            values += 1.0
        else:
            if column.range_selectivity < DEFAULT_RANGE_INEQ_SEL:
                return num_sa_scans, False
            values = max(rint(values * column.range_selectivity), 1.0)
        scans *= values
        if index_pages < scans:
            return num_sa_scans, False
    return scans, True


def amcostestimate(
    settings: CostSettings,
    index: IndexShape,
    condition: IndexCondition,
    *,
    relation_tuples: float,
    total_table_pages: float,
    loop_count: float = 1.0,
) -> IndexAccessCost:
    """Cost of one scan of an index, by its own access method's estimator, when it is scanned `loop_count` times.

    `total_table_pages` are the pages of all plain tables of the query level (they compete for the cache).
    """
    scans = condition.num_sa_scans
    tuples = 0.0
    if not index.hashed:
        scans, tuples = _btree_descents(settings, index, condition, relation_tuples)
    if tuples <= 0.0:
        tuples = rint(condition.selectivity * relation_tuples / scans)
    tuples = max(min(tuples, index.tuples), 1.0)
    pages = 1.0
    if index.pages > 1.0 and index.tuples > 1.0:
        pages = float(ceil(tuples * index.pages / index.tuples))
    random_page_cost = settings.random_page_cost if index.random_page_cost is None else index.random_page_cost
    all_scans = scans * loop_count
    if all_scans > 1.0:
        fetched = index_pages_fetched(settings, pages * all_scans, index.pages, index.pages, total_table_pages)
        total = fetched * random_page_cost / loop_count
    else:
        total = pages * random_page_cost
    operand = condition.operand.startup + condition.operand.per_tuple
    per_tuple = settings.cpu_index_tuple_cost + settings.cpu_operator_cost * condition.num_quals
    total += operand + tuples * scans * per_tuple
    if index.hashed:
        return IndexAccessCost(operand, total, condition.selectivity, 0.0, pages)
    descent = (index.tree_height + 1) * _PAGE_CPU_MULTIPLIER * settings.cpu_operator_cost
    if index.tuples > 1.0:
        descent += ceil(log(index.tuples) / log(2.0)) * settings.cpu_operator_cost
    return IndexAccessCost(
        operand + descent, total + scans * descent, condition.selectivity, index.index_correlation, pages
    )


def _btree_descents(
    settings: CostSettings, index: IndexShape, condition: IndexCondition, relation_tuples: float
) -> tuple[float, float]:
    """How often a B-tree is descended per scan, and the tuples that each descent visits."""
    scans = condition.num_sa_scans
    if condition.unique_match:
        return scans, 1.0
    if caps_array_scans(settings.server_major):
        scans = max(min(scans, float(ceil(index.pages * 0.3333333))), 1.0)
    return scans, rint(condition.boundary_selectivity * relation_tuples / scans)


def cost_index(
    settings: CostSettings,
    relation: RelationSize,
    index: IndexShape,
    condition: IndexCondition,
    rows: float,
    width: int = 0,
    *,
    total_table_pages: float,
    loop_count: float = 1.0,
    index_only: bool = False,
    qual: QualCost = FREE,
    target: QualCost = FREE,
    workers: int = 0,
) -> PathCost:
    """Index Scan or Index Only Scan, per execution, when it is executed `loop_count` times.

    `loop_count` is 1 for a scan of its own; for the inner side of a nested loop it is the smallest row estimate
    among the base relations that supply its parameters, not the outer path's rows. `qual` are the quals that the
    index does not enforce. With `workers` the path is partial; only CPU cost is shared.
    """
    access = amcostestimate(
        settings,
        index,
        condition,
        relation_tuples=relation.tuples,
        total_table_pages=total_table_pages,
        loop_count=loop_count,
    )
    seq_page_cost, random_page_cost = relation.page_costs(settings)
    selectivity = condition.selectivity
    fetched = clamp_row_est(selectivity * relation.tuples)
    unseen = 1.0 - relation.allvisfrac
    if loop_count > 1.0:
        pages = index_pages_fetched(settings, fetched * loop_count, relation.pages, index.pages, total_table_pages)
        if index_only:
            pages = ceil(pages * unseen)
        max_io = pages * random_page_cost / loop_count
        pages = index_pages_fetched(
            settings,
            ceil(selectivity * relation.pages) * loop_count,
            relation.pages,
            index.pages,
            total_table_pages,
        )
        if index_only:
            pages = ceil(pages * unseen)
        min_io = pages * random_page_cost / loop_count
    else:
        pages = index_pages_fetched(settings, fetched, relation.pages, index.pages, total_table_pages)
        if index_only:
            pages = ceil(pages * unseen)
        max_io = pages * random_page_cost
        pages = ceil(selectivity * relation.pages)
        if index_only:
            pages = ceil(pages * unseen)
        min_io = random_page_cost + (pages - 1.0) * seq_page_cost if pages > 0 else 0.0
    correlation = access.correlation
    run = access.total_cost - access.startup_cost
    run += max_io + correlation * correlation * (min_io - max_io)
    cpu = (settings.cpu_tuple_cost + qual.per_tuple) * fetched + target.per_tuple * rows
    if workers > 0:
        divisor = parallel_divisor(settings, workers)
        cpu /= divisor
        rows = clamp_row_est(rows / divisor)
    startup = access.startup_cost + qual.startup + target.startup
    disabled = 0
    if not settings.enable_indexscan:
        startup += settings.disable_cost
        disabled = settings.disabled_node
    total = startup + run + cpu
    kind = "Index Only Scan" if index_only else "Index Scan"
    return made_path((startup, total, rows, width, startup, total, disabled, kind))


def heap_pages_for_workers(
    settings: CostSettings,
    relation: RelationSize,
    index: IndexShape,
    condition: IndexCondition,
    total_table_pages: float,
) -> float:
    """Table pages that an index scan is taken to read at random: what its worker count is chosen by."""
    fetched = clamp_row_est(condition.selectivity * relation.tuples)
    return index_pages_fetched(settings, fetched, relation.pages, index.pages, total_table_pages)
