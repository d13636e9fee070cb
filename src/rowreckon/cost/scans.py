"""The sequential scan, and reading again what a node has kept.

Source: cost_seqscan, cost_material and cost_rescan in optimizer/path/costsize.c, releases 13 to 18.
`qual` is the cost of the filter per tuple scanned, `target` that of the target list per row put out (0 for plain
columns), `rows` what comes out. With `workers` the path is partial: CPU cost and rows are shared, pages are not.
"""

from __future__ import annotations

from math import ceil

from rowreckon.cost.gather import parallel_divisor
from rowreckon.cost.path import FREE, PathCost, QualCost
from rowreckon.cost.relation import RelationSize
from rowreckon.cost.settings import CostSettings
from rowreckon.cost.units import clamp_row_est, relation_byte_size


def cost_seqscan(
    settings: CostSettings,
    relation: RelationSize,
    rows: float,
    width: int = 0,
    *,
    qual: QualCost = FREE,
    target: QualCost = FREE,
    workers: int = 0,
) -> PathCost:
    """Seq Scan: every page in order, every tuple filtered."""
    seq_page_cost, _ = relation.page_costs(settings)
    startup = qual.startup + target.startup
    cpu = (settings.cpu_tuple_cost + qual.per_tuple) * relation.tuples + target.per_tuple * rows
    if workers > 0:
        divisor = parallel_divisor(settings, workers)
        cpu /= divisor
        rows = clamp_row_est(rows / divisor)
    disabled = 0
    if not settings.enable_seqscan:
        startup += settings.disable_cost
        disabled = settings.disabled_node
    total = startup + cpu + seq_page_cost * relation.pages
    return PathCost(startup, total, rows, width, startup, total, disabled, "Seq Scan")


def tuplestore_rescan(settings: CostSettings, per_row: float, rows: float, width: int) -> float:
    """Planner cost of reading a kept result again: per row, and its pages where it outgrew work_mem."""
    run = per_row * rows
    size = relation_byte_size(rows, width)
    if size > settings.work_mem_bytes:
        run += settings.seq_page_cost * ceil(size / 8192)
    return run
