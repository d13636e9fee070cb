"""The planner's rule for a new path beside the one that it holds.

Source: add_path and compare_path_costs_fuzzily in optimizer/util/pathnode.c, releases 13 to 18, for paths alike in
order and parameters, where few rows are not wanted sooner.
"""

from __future__ import annotations

from rowreckon.cost import STD_FUZZ_FACTOR, PathCost

_TIE = 1.0000000001


def replaces(new: PathCost, held: PathCost) -> bool:
    """Whether the planner throws the held path away for a new one."""
    total, old = new.total_cost, held.total_cost
    if total > old * STD_FUZZ_FACTOR:
        return False
    if old > total * STD_FUZZ_FACTOR:
        return True
    if new.startup_cost > held.startup_cost * STD_FUZZ_FACTOR:
        return False
    if held.startup_cost > new.startup_cost * STD_FUZZ_FACTOR:
        return True
    return total * _TIE < old
