"""Scans that use no index: sequential, by tuple identifier, and over what is not a table.

Source: cost_seqscan, cost_tidscan, cost_tidrangescan, cost_subqueryscan, cost_functionscan, cost_valuesscan,
cost_ctescan, cost_resultscan and cost_samplescan in optimizer/path/costsize.c, releases 13 to 18.
In all of them `qual` is the cost of the filter per tuple scanned, `target` that of the target list per row put
out (0 for plain columns), `rows` what comes out. With `workers` the path is partial: CPU cost and rows are shared,
pages are not.
"""

from __future__ import annotations

from math import ceil

from rowreckon.cost.capabilities import has_free_subquery_scan
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


def cost_samplescan(
    settings: CostSettings,
    relation: RelationSize,
    rows: float,
    width: int = 0,
    *,
    qual: QualCost = FREE,
    target: QualCost = FREE,
    picks_blocks: bool = True,
) -> PathCost:
    """Sample Scan: `relation` holds the pages and tuples that the method will visit.

    SYSTEM picks blocks (random pages), BERNOULLI reads all of them in order.
    """
    seq_page_cost, random_page_cost = relation.page_costs(settings)
    startup = qual.startup + target.startup
    page_cost = random_page_cost if picks_blocks else seq_page_cost
    total = (
        startup
        + page_cost * relation.pages
        + (settings.cpu_tuple_cost + qual.per_tuple) * relation.tuples
        + target.per_tuple * rows
    )
    return PathCost(startup, total, rows, width, startup, total, 0, "Sample Scan")


def cost_tidscan(
    settings: CostSettings,
    relation: RelationSize,
    rows: float,
    width: int = 0,
    *,
    ntuples: float = 1.0,
    tid_qual: QualCost = FREE,
    qual: QualCost = FREE,
    target: QualCost = FREE,
) -> PathCost:
    """Tid Scan: one random page per identifier. `qual` are all quals, `tid_qual` among them."""
    _, random_page_cost = relation.page_costs(settings)
    startup = qual.startup + tid_qual.per_tuple + target.startup
    disabled = 0
    if not settings.enable_tidscan:
        startup += settings.disable_cost
        disabled = settings.disabled_node
    per_tuple = settings.cpu_tuple_cost + qual.per_tuple - tid_qual.per_tuple
    total = startup + random_page_cost * ntuples + per_tuple * ntuples + target.per_tuple * rows
    return PathCost(startup, total, rows, width, startup, total, disabled, "Tid Scan")


def cost_tidrangescan(
    settings: CostSettings,
    relation: RelationSize,
    rows: float,
    width: int = 0,
    *,
    selectivity: float,
    tid_qual: QualCost = FREE,
    qual: QualCost = FREE,
    target: QualCost = FREE,
) -> PathCost:
    """Tid Range Scan (14 and later): one random page, the rest in order. `selectivity` is the range's."""
    seq_page_cost, random_page_cost = relation.page_costs(settings)
    pages = float(ceil(selectivity * relation.pages))
    if pages <= 0.0:
        pages = 1.0
    startup = qual.startup + tid_qual.per_tuple + target.startup
    disabled = 0
    if not settings.enable_tidscan:
        startup += settings.disable_cost
        disabled = settings.disabled_node
    per_tuple = settings.cpu_tuple_cost + qual.per_tuple - tid_qual.per_tuple
    total = (
        startup
        + random_page_cost
        + seq_page_cost * (pages - 1.0)
        + per_tuple * selectivity * relation.tuples
        + target.per_tuple * rows
    )
    return PathCost(startup, total, rows, width, startup, total, disabled, "Tid Range Scan")


def cost_subqueryscan(
    settings: CostSettings,
    subpath: PathCost,
    rows: float,
    width: int = 0,
    *,
    qual: QualCost = FREE,
    target: QualCost = FREE,
    trivial: bool = False,
) -> PathCost:
    """Subquery Scan over `subpath`; `trivial` where it neither filters nor changes the target list."""
    startup, total = subpath.startup_cost, subpath.total_cost
    if not (trivial and has_free_subquery_scan(settings.server_major)):
        own_startup = qual.startup + target.startup
        startup += own_startup
        total += own_startup + (settings.cpu_tuple_cost + qual.per_tuple) * subpath.rows + target.per_tuple * rows
    return PathCost(startup, total, rows, width, startup, total, subpath.disabled_nodes, "Subquery Scan")


def cost_functionscan(
    settings: CostSettings,
    tuples: float,
    rows: float,
    width: int = 0,
    *,
    function: QualCost = FREE,
    qual: QualCost = FREE,
    target: QualCost = FREE,
    kind: str = "Function Scan",
) -> PathCost:
    """Function Scan (or Table Function Scan): the call runs to its end before the first row.

    `function` is the cost of the call, procost × cpu_operator_cost as a rule, with its arguments; `tuples` what it
    returns. A rescan of a Function Scan reads the kept result again; a Table Function Scan starts over.
    """
    startup = function.startup + function.per_tuple + qual.startup + target.startup
    run = (settings.cpu_tuple_cost + qual.per_tuple) * tuples + target.per_tuple * rows
    total = startup + run
    if kind == "Function Scan":
        return PathCost(startup, total, rows, width, 0.0, total - startup, 0, kind)
    return PathCost(startup, total, rows, width, startup, total, 0, kind)


def cost_valuesscan(
    settings: CostSettings,
    tuples: float,
    rows: float,
    width: int = 0,
    *,
    qual: QualCost = FREE,
    target: QualCost = FREE,
) -> PathCost:
    """Values Scan: one operator more per row than a plain scan."""
    startup = qual.startup + target.startup
    per_tuple = settings.cpu_operator_cost + settings.cpu_tuple_cost + qual.per_tuple
    total = startup + per_tuple * tuples + target.per_tuple * rows
    return PathCost(startup, total, rows, width, startup, total, 0, "Values Scan")


def cost_ctescan(
    settings: CostSettings,
    tuples: float,
    rows: float,
    width: int = 0,
    *,
    qual: QualCost = FREE,
    target: QualCost = FREE,
    kind: str = "CTE Scan",
) -> PathCost:
    """CTE Scan, WorkTable Scan or Named Tuplestore Scan of `tuples` rows; the query behind is charged elsewhere."""
    startup = qual.startup + target.startup
    total = startup + (2.0 * settings.cpu_tuple_cost + qual.per_tuple) * tuples + target.per_tuple * rows
    if kind == "Named Tuplestore Scan":
        return PathCost(startup, total, rows, width, startup, total, 0, kind)
    again = tuplestore_rescan(settings, settings.cpu_tuple_cost, rows, width)
    return PathCost(startup, total, rows, width, 0.0, again, 0, kind)


def cost_resultscan(settings: CostSettings, rows: float = 1.0, width: int = 0, *, qual: QualCost = FREE) -> PathCost:
    """Result without a table: one row."""
    total = qual.startup + settings.cpu_tuple_cost + qual.per_tuple
    return PathCost(qual.startup, total, rows, width, qual.startup, total, 0, "Result")


def tuplestore_rescan(settings: CostSettings, per_row: float, rows: float, width: int) -> float:
    """Planner cost of reading a kept result again: per row, and its pages where it outgrew work_mem."""
    run = per_row * rows
    size = relation_byte_size(rows, width)
    if size > settings.work_mem_bytes:
        run += settings.seq_page_cost * ceil(size / 8192)
    return run
