"""The cost of executing a path again, for inputs that are read from a plan rather than computed.

Source: cost_rescan in optimizer/path/costsize.c, releases 13 to 18.
"""

from __future__ import annotations

from rowreckon.cost.path import PathCost
from rowreckon.cost.scans import tuplestore_rescan
from rowreckon.cost.settings import CostSettings


def path_input(
    settings: CostSettings,
    kind: str,
    startup_cost: float,
    total_cost: float,
    rows: float,
    width: int,
    *,
    num_batches: int = 1,
    disabled_nodes: int = 0,
) -> PathCost:
    """A path of known cost with its rescan cost: `kind` is EXPLAIN's `Node Type`.

    `num_batches` matters to a Hash Join only: one batch is kept, several are built again. A Memoize's rescan can't
    be told from its own cost (`cost_memoize` gives it); here it is taken to save nothing.
    """
    again_startup, again_total = startup_cost, total_cost
    if kind in ("Materialize", "Sort"):
        again_startup = 0.0
        again_total = tuplestore_rescan(settings, settings.cpu_operator_cost, rows, width)
    elif kind in ("CTE Scan", "WorkTable Scan"):
        again_startup = 0.0
        again_total = tuplestore_rescan(settings, settings.cpu_tuple_cost, rows, width)
    elif kind == "Function Scan" or (kind == "Hash Join" and num_batches == 1):
        again_startup = 0.0
        again_total = total_cost - startup_cost
    return PathCost(startup_cost, total_cost, rows, width, again_startup, again_total, disabled_nodes, kind)
