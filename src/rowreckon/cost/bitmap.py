"""Bitmap scans: the index side, And and Or of several, and the table side.

Source: cost_bitmap_tree_node, cost_bitmap_and_node, cost_bitmap_or_node, cost_bitmap_heap_scan and
compute_bitmap_pages in optimizer/path/costsize.c; tbm_calculate_entries in nodes/tidbitmap.c; releases 13 to 18.
"""

from __future__ import annotations

from math import ceil, sqrt
from typing import NamedTuple

from rowreckon.cost.gather import parallel_divisor
from rowreckon.cost.index_scan import IndexAccessCost, IndexShape
from rowreckon.cost.pages import index_pages_fetched
from rowreckon.cost.path import FREE, PathCost, QualCost
from rowreckon.cost.relation import RelationSize
from rowreckon.cost.settings import CostSettings
from rowreckon.cost.units import clamp_row_est

_BITMAP_ENTRY_BYTES = 64


class BitmapCost(NamedTuple):
    """A bitmap under construction: planner cost as its parent counts it, selectivity, pages of its indexes."""

    cost: float
    selectivity: float
    index_pages: float


def bitmap_index(settings: CostSettings, access: IndexAccessCost, index: IndexShape, rows: float) -> BitmapCost:
    """Bitmap Index Scan: `rows` is the estimate of the whole table scan after all filters, not the node's own."""
    cost = access.total_cost + 0.1 * settings.cpu_operator_cost * rows
    return BitmapCost(cost, access.selectivity, index.pages)


def bitmap_entries(settings: CostSettings) -> float:
    """Pages that a bitmap of work_mem can hold exactly; beyond, some pages become lossy."""
    return float(max(int(settings.work_mem_bytes) // _BITMAP_ENTRY_BYTES, 16))


def compute_bitmap_pages(
    settings: CostSettings,
    relation: RelationSize,
    bitmap: BitmapCost,
    total_table_pages: float,
    loop_count: float = 1.0,
) -> tuple[float, float]:
    """Table pages read per execution, and tuples looked at on them (all of a lossy page's).

    The pages of a single execution are also what the worker count of a parallel bitmap scan is chosen by.
    """
    t = relation.pages if relation.pages > 1.0 else 1.0
    fetched = clamp_row_est(bitmap.selectivity * relation.tuples)
    pages = (2.0 * t * fetched) / (2.0 * t + fetched)
    heap_pages = min(pages, relation.pages)
    if loop_count > 1.0:
        pages = index_pages_fetched(
            settings, fetched * loop_count, relation.pages, bitmap.index_pages, total_table_pages
        )
        pages /= loop_count
    pages = t if pages >= t else float(ceil(pages))
    entries = bitmap_entries(settings)
    if entries < heap_pages:
        lossy = max(0.0, heap_pages - entries / 2.0)
        if lossy > 0.0:
            exact = heap_pages - lossy
            fetched = clamp_row_est(
                bitmap.selectivity * (exact / heap_pages) * relation.tuples + (lossy / heap_pages) * relation.tuples
            )
    return pages, fetched


def cost_bitmap_heap_scan(
    settings: CostSettings,
    relation: RelationSize,
    bitmap: BitmapCost,
    rows: float,
    width: int = 0,
    *,
    total_table_pages: float,
    loop_count: float = 1.0,
    qual: QualCost = FREE,
    target: QualCost = FREE,
    workers: int = 0,
) -> PathCost:
    """Bitmap Heap Scan, per execution, when it is executed `loop_count` times.

    `qual` are all quals of the table, those that the index enforces included: they are rechecked. The price of a
    page falls from random towards sequential with the square root of the share of pages read.
    """
    startup = bitmap.cost
    seq_page_cost, random_page_cost = relation.page_costs(settings)
    t = relation.pages if relation.pages > 1.0 else 1.0
    pages, fetched = compute_bitmap_pages(settings, relation, bitmap, total_table_pages, loop_count)
    if pages >= 2.0:
        page_cost = random_page_cost - (random_page_cost - seq_page_cost) * sqrt(pages / t)
    else:
        page_cost = random_page_cost
    cpu = (settings.cpu_tuple_cost + qual.per_tuple) * fetched
    if workers > 0:
        divisor = parallel_divisor(settings, workers)
        cpu /= divisor
        rows = clamp_row_est(rows / divisor)
    startup += qual.startup + target.startup
    disabled = 0
    if not settings.enable_bitmapscan:
        startup += settings.disable_cost
        disabled = settings.disabled_node
    total = startup + pages * page_cost + cpu + target.per_tuple * rows
    return PathCost(startup, total, rows, width, startup, total, disabled, "Bitmap Heap Scan")
