"""Sorts: in memory, bounded by a LIMIT, spilled to disk, and incremental over a presorted input.

Source: cost_tuplesort and cost_sort in optimizer/path/costsize.c; tuplesort_merge_order in
utils/sort/tuplesort.c; releases 13 to 18. Comparison functions are taken to cost what the planner takes: two
operators per comparison, whatever the type.
"""

from __future__ import annotations

from math import ceil, log

from rowreckon.cost.capabilities import has_balanced_merge_order, has_whole_group_sorts
from rowreckon.cost.path import PathCost, made_path
from rowreckon.cost.scans import tuplestore_rescan
from rowreckon.cost.settings import CostSettings
from rowreckon.cost.units import BLCKSZ, log2, relation_byte_size


def merge_order(settings: CostSettings) -> float:
    """Runs that one pass of an external sort merges (6 to 500)."""
    memory = int(settings.work_mem_bytes)
    buffer = BLCKSZ * 32
    if has_balanced_merge_order(settings.server_major):
        order = memory // (2 * BLCKSZ + buffer)
    else:
        order = (memory - BLCKSZ) // (BLCKSZ + buffer)
    return float(min(max(order, 6), 500))


def cost_tuplesort(settings: CostSettings, rows: float, width: int, limit_tuples: float = -1.0) -> tuple[float, float]:
    """Planner cost of sorting `rows` of this `width` (bytes), before the first row and from it to the last.

    `limit_tuples` is the number of rows wanted where a LIMIT says so, else -1.
    """
    tuples = 2.0 if rows < 2.0 else rows
    input_bytes = relation_byte_size(rows, width)
    if 0.0 < limit_tuples < tuples:
        output_tuples = limit_tuples
        output_bytes = relation_byte_size(limit_tuples, width)
    else:
        output_tuples = tuples
        output_bytes = input_bytes
    comparison = 2.0 * settings.cpu_operator_cost
    memory = settings.work_mem_bytes
    if output_bytes > memory:
        startup = comparison * tuples * log2(tuples)
        runs = input_bytes / memory
        order = merge_order(settings)
        passes = ceil(log(runs) / log(order)) if runs > order else 1.0
        accesses = 2.0 * ceil(input_bytes / BLCKSZ) * passes
        startup += accesses * (settings.seq_page_cost * 0.75 + settings.random_page_cost * 0.25)
    elif tuples > 2.0 * output_tuples or input_bytes > memory:
        startup = comparison * tuples * log2(2.0 * output_tuples)
    else:
        startup = comparison * tuples * log2(tuples)
    return startup, settings.cpu_operator_cost * tuples


def cost_sort(settings: CostSettings, subpath: PathCost, limit_tuples: float = -1.0) -> PathCost:
    """Sort of `subpath`; a rescan reads the sorted rows again."""
    startup, run = cost_tuplesort(settings, subpath.rows, subpath.width, limit_tuples)
    startup += subpath.total_cost
    disabled = subpath.disabled_nodes
    if not settings.enable_sort:
        startup += settings.disable_cost
        disabled += settings.disabled_node
    again = tuplestore_rescan(settings, settings.cpu_operator_cost, subpath.rows, subpath.width)
    return made_path((startup, startup + run, subpath.rows, subpath.width, 0.0, again, disabled, "Sort"))


def cost_incremental_sort(settings: CostSettings, subpath: PathCost, groups: float) -> PathCost:
    """Sort of `subpath`, which comes in the order of the first columns, whose values make `groups`.

    Source: cost_incremental_sort in optimizer/path/costsize.c; sorting a group is priced by its average size.
    """
    rows = max(subpath.rows, 2.0)
    groups = min(max(groups, 1.0), rows)
    size = rows / groups * (1.0 if has_whole_group_sorts(settings.server_major) else 1.5)
    group_startup, group_run = cost_tuplesort(settings, size, subpath.width)
    group_input = (subpath.total_cost - subpath.startup_cost) / groups
    startup = subpath.startup_cost + group_startup + group_input
    run = group_run + (group_run + group_startup + group_input) * (groups - 1.0)
    run += settings.cpu_tuple_cost * rows + 2.0 * settings.cpu_tuple_cost * groups
    disabled = subpath.disabled_nodes
    total = startup + run
    return made_path((startup, total, subpath.rows, subpath.width, startup, total, disabled, "Incremental Sort"))
