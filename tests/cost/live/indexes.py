"""Shorthands for index and bitmap scans whose inputs come from the catalog."""

from __future__ import annotations

from rowreckon.cost import (
    BitmapCost,
    CostSettings,
    IndexCondition,
    PathCost,
    amcostestimate,
    bitmap_index,
    cost_bitmap_heap_scan,
    cost_index,
    operator_cost,
)
from rowreckon.cost.units import clamp_row_est

from .facts import Facts


def scan_of(
    facts: Facts,
    settings: CostSettings,
    table: str,
    index: str,
    *,
    selectivity: float,
    boundary: float | None = None,
    quals: int = 1,
    filters: float = 0.0,
    rows: float | None = None,
    width: int = 0,
    tables: tuple[str, ...] = (),
    loop_count: float = 1.0,
    index_only: bool = False,
    num_sa_scans: float = 1.0,
    unique_match: bool = False,
    workers: int = 0,
) -> PathCost:
    """An index scan of `table`; `tables` are the other tables of the query."""
    size = facts.relation(table, settings)
    condition = IndexCondition(
        selectivity,
        selectivity if boundary is None else boundary,
        quals,
        num_sa_scans=num_sa_scans,
        unique_match=unique_match,
    )
    return cost_index(
        settings,
        size,
        facts.index(index),
        condition,
        clamp_row_est(selectivity * size.tuples) if rows is None else rows,
        width,
        total_table_pages=size.pages + facts.pages(settings, *tables),
        loop_count=loop_count,
        index_only=index_only,
        qual=operator_cost(settings, filters),
        workers=workers,
    )


def bitmap_of(
    facts: Facts,
    settings: CostSettings,
    table: str,
    index: str,
    *,
    selectivity: float,
    rows: float,
    quals: int = 1,
    tables: tuple[str, ...] = (),
    loop_count: float = 1.0,
) -> BitmapCost:
    """A Bitmap Index Scan below a table scan that puts out `rows`."""
    size = facts.relation(table, settings)
    shape = facts.index(index)
    access = amcostestimate(
        settings,
        shape,
        IndexCondition(selectivity, selectivity, quals),
        relation_tuples=size.tuples,
        total_table_pages=size.pages + facts.pages(settings, *tables),
        loop_count=loop_count,
    )
    return bitmap_index(settings, access, shape, rows)


def heap_of(
    facts: Facts,
    settings: CostSettings,
    table: str,
    bitmap: BitmapCost,
    rows: float,
    *,
    quals: float = 1.0,
    width: int = 0,
    tables: tuple[str, ...] = (),
    loop_count: float = 1.0,
    workers: int = 0,
) -> PathCost:
    """The Bitmap Heap Scan above it; `quals` operators are rechecked or filtered per tuple."""
    size = facts.relation(table, settings)
    return cost_bitmap_heap_scan(
        settings,
        size,
        bitmap,
        rows,
        width,
        total_table_pages=size.pages + facts.pages(settings, *tables),
        loop_count=loop_count,
        qual=operator_cost(settings, quals),
        workers=workers,
    )
