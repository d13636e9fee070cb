"""What the planner goes by when it compares paths: its tolerance, and the cost of a part of a path's rows.

Source: STD_FUZZ_FACTOR and compare_fractional_path_costs in optimizer/util/pathnode.c, releases 13 to 18. A path is
thrown away only where another is better by more than the tolerance.
"""

from __future__ import annotations

from rowreckon.cost.path import PathCost

STD_FUZZ_FACTOR = 1.01
"""Costs within this factor are taken as equal while paths are gathered."""


def fractional_cost(path: PathCost, fraction: float) -> float:
    """Planner cost of fetching that fraction (0 to 1) of a path's rows."""
    return path.startup_cost + fraction * (path.total_cost - path.startup_cost)
