"""Parallel query: how work is shared, and what it costs to bring the rows together.

Source: get_parallel_divisor, compute_gather_rows, cost_gather and cost_gather_merge in
optimizer/path/costsize.c; compute_parallel_worker in optimizer/path/allpaths.c; releases 13 to 18.
"""

from __future__ import annotations

from rowreckon.cost.capabilities import has_exact_gather_merge_rows
from rowreckon.cost.path import PathCost
from rowreckon.cost.settings import CostSettings
from rowreckon.cost.units import clamp_row_est, log2


def divisor_among(workers: float, *, leader_takes_part: bool) -> float:
    """By how much a parallel path's rows are divided: the workers and the leader's dwindling share; at least 1."""
    leader = max(0.0, 1.0 - 0.3 * workers) if leader_takes_part else 0.0
    return max(workers + leader, 1.0)


def parallel_divisor(settings: CostSettings, workers: int) -> float:
    """By how much a partial path's rows and CPU cost are divided among the `workers` and the leader."""
    return divisor_among(workers, leader_takes_part=settings.parallel_leader_participation)


def partial_rows(settings: CostSettings, rows: float, workers: int) -> float:
    """Rows per process of a partial path that delivers `rows` in all."""
    return rows if workers <= 0 else clamp_row_est(rows / parallel_divisor(settings, workers))


def gather_rows(settings: CostSettings, partial: float, workers: int) -> float:
    """Rows in all of a partial path that delivers `partial` rows per process (Gather)."""
    return clamp_row_est(partial * parallel_divisor(settings, workers))


def gather_merge_rows(settings: CostSettings, partial: float, workers: int) -> float:
    """Rows that a Gather Merge above a sort is given: up to 17 the leader's share is forgotten."""
    if has_exact_gather_merge_rows(settings.server_major):
        return gather_rows(settings, partial, workers)
    return partial * workers


def cost_gather(settings: CostSettings, subpath: PathCost, rows: float) -> PathCost:
    """Gather: `rows` is what comes out in all."""
    startup = subpath.startup_cost + settings.parallel_setup_cost
    total = startup + (subpath.total_cost - subpath.startup_cost) + settings.parallel_tuple_cost * rows
    return PathCost(startup, total, rows, subpath.width, startup, total, subpath.disabled_nodes, "Gather")


def cost_gather_merge(settings: CostSettings, subpath: PathCost, rows: float, workers: int) -> PathCost:
    """Gather Merge over a sorted partial path: a heap of one stream per worker and the leader."""
    streams = workers + 1.0
    log_streams = log2(streams)
    comparison = 2.0 * settings.cpu_operator_cost
    startup = comparison * streams * log_streams + settings.parallel_setup_cost + subpath.startup_cost
    run = (
        rows * comparison * log_streams + settings.cpu_operator_cost * rows + settings.parallel_tuple_cost * rows * 1.05
    )
    disabled = subpath.disabled_nodes
    if not settings.enable_gathermerge:
        startup += settings.disable_cost
        disabled += settings.disabled_node
    total = startup - subpath.startup_cost + run + subpath.total_cost
    return PathCost(startup, total, rows, subpath.width, startup, total, disabled, "Gather Merge")


def compute_parallel_worker(
    settings: CostSettings,
    heap_pages: float | None,
    index_pages: float | None,
    *,
    parallel_workers: int | None = None,
    appended: bool = False,
) -> int:
    """Workers that a scan of that size asks for (0: no parallel scan).

    None stands for 'no such scan': an index-only scan has no heap pages, a seq scan no index pages.
    `parallel_workers` is the table's storage parameter, where set. `appended` marks an input of an Append (a
    partition, say), for which at least one worker is asked even where it is small.
    """
    limit = settings.max_parallel_workers_per_gather
    if parallel_workers is not None and parallel_workers >= 0:
        return min(parallel_workers, limit)
    heap_least = settings.min_parallel_table_scan_size
    index_least = settings.min_parallel_index_scan_size
    if heap_pages is not None and heap_pages < heap_least and not appended:
        return 0
    if index_pages is not None and index_pages < index_least and not appended:
        return 0
    workers = 0
    if heap_pages is not None:
        workers = _triplings(heap_pages, heap_least)
    if index_pages is not None:
        by_index = _triplings(index_pages, index_least)
        workers = min(workers, by_index) if workers > 0 else by_index
    return min(workers, limit)


def _triplings(pages: float, least: float) -> int:
    """One worker, and another for each tripling of the size over the threshold."""
    workers, threshold = 1, max(least, 1.0)
    while pages >= threshold * 3.0:
        workers += 1
        threshold *= 3.0
    return workers
