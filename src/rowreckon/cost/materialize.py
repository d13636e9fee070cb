"""Materialize: keep an input's rows so that they can be read again.

Source: cost_material and cost_rescan in optimizer/path/costsize.c, releases 13 to 18. Storing is charged at twice
the price of reading back, so that the planner materialises the side that is read more often.
"""

from __future__ import annotations

from rowreckon.cost.path import PathCost, made_path
from rowreckon.cost.scans import tuplestore_rescan
from rowreckon.cost.settings import CostSettings


def cost_material(settings: CostSettings, subpath: PathCost) -> PathCost:
    """Materialize over `subpath`; with enable_material off the planner doesn't offer this path at all."""
    rows, width = subpath.rows, subpath.width
    total = subpath.total_cost + tuplestore_rescan(settings, 2.0 * settings.cpu_operator_cost, rows, width)
    again = tuplestore_rescan(settings, settings.cpu_operator_cost, rows, width)
    return made_path((subpath.startup_cost, total, rows, width, 0.0, again, subpath.disabled_nodes, "Materialize"))
