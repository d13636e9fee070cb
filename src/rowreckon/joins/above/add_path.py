"""The planner's rule for a new path beside the one that it holds.

Source: add_path and compare_path_costs_fuzzily in optimizer/util/pathnode.c, releases 13 to 18, for paths alike in
order and parameters, where few rows are not wanted sooner.
"""

from __future__ import annotations

from rowreckon.cost import STD_FUZZ_FACTOR, PathCost

TIE = 1.0000000001

ON_GATHER = "Join on Gather"
"""The kind of a join's path that reads a side through a Gather, so that it can't run below another one."""


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
    return total * TIE < old


def gather_replaces(new: PathCost, held: PathCost, *, by_total: bool) -> bool:
    """Whether a Gather is taken in place of the path of one process that is held when it is offered.

    What can't run below another Gather never throws away what can: both are kept, and the cheaper total decides. Where
    that is the same within 1%, the Gather is kept only if it starts sooner; `by_total` says that neither does, as what
    stands on top needs all rows.
    """
    if held.total_cost > new.total_cost * STD_FUZZ_FACTOR:
        return True
    sooner = not by_total and held.startup_cost > new.startup_cost * STD_FUZZ_FACTOR
    return sooner and new.total_cost < held.total_cost
