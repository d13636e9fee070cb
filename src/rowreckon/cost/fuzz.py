"""Which of two paths the planner keeps, and which one it takes in the end.

Source: compare_path_costs, compare_fractional_path_costs, compare_path_costs_fuzzily, add_path and set_cheapest in
optimizer/util/pathnode.c, releases 13 to 18 (disabled nodes from 18). A path is thrown away only where another is
better by more than 1 %; among the survivors the exact cost decides.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum

from rowreckon.cost.path import PathCost

STD_FUZZ_FACTOR = 1.01
"""Costs within this factor are taken as equal while paths are gathered."""

_TIE_BREAK_FACTOR = 1.0000000001


class CostComparison(Enum):
    """What a fuzzy comparison of two paths says."""

    EQUAL = "equal"
    BETTER1 = "the first dominates"
    BETTER2 = "the second dominates"
    DIFFERENT = "neither dominates: one starts sooner, the other ends sooner"


def compare_path_costs(first: PathCost, second: PathCost, *, startup: bool = False) -> int:
    """-1, 0 or +1 as the first is cheaper, as cheap or dearer: by total cost, or by startup cost."""
    if first.disabled_nodes != second.disabled_nodes:
        return -1 if first.disabled_nodes < second.disabled_nodes else 1
    mine = (first.total_cost, first.startup_cost)
    other = (second.total_cost, second.startup_cost)
    if startup:
        mine, other = mine[::-1], other[::-1]
    return (mine > other) - (mine < other)


def fractional_cost(path: PathCost, fraction: float) -> float:
    """Planner cost of fetching that fraction (0 to 1) of a path's rows."""
    return path.startup_cost + fraction * (path.total_cost - path.startup_cost)


def compare_fractional_path_costs(first: PathCost, second: PathCost, fraction: float) -> int:
    """As compare_path_costs, for the given fraction of the rows; outside 0 to 1 all rows are meant."""
    if first.disabled_nodes != second.disabled_nodes:
        return -1 if first.disabled_nodes < second.disabled_nodes else 1
    if fraction <= 0.0 or fraction >= 1.0:
        return compare_path_costs(first, second)
    mine, other = fractional_cost(first, fraction), fractional_cost(second, fraction)
    return (mine > other) - (mine < other)


def compare_path_costs_fuzzily(
    first: PathCost,
    second: PathCost,
    fuzz_factor: float = STD_FUZZ_FACTOR,
    *,
    consider_startup: bool = False,
) -> CostComparison:
    """Whether one of two paths dominates the other once small differences are forgiven.

    `consider_startup` holds where few rows are wanted (LIMIT, cursor, EXISTS): a dearer path may then stay for an
    earlier first row.
    """
    if first.disabled_nodes != second.disabled_nodes:
        fewer = first.disabled_nodes < second.disabled_nodes
        return CostComparison.BETTER1 if fewer else CostComparison.BETTER2
    if first.total_cost > second.total_cost * fuzz_factor:
        if consider_startup and second.startup_cost > first.startup_cost * fuzz_factor:
            return CostComparison.DIFFERENT
        return CostComparison.BETTER2
    if second.total_cost > first.total_cost * fuzz_factor:
        if consider_startup and first.startup_cost > second.startup_cost * fuzz_factor:
            return CostComparison.DIFFERENT
        return CostComparison.BETTER1
    if first.startup_cost > second.startup_cost * fuzz_factor:
        return CostComparison.BETTER2
    if second.startup_cost > first.startup_cost * fuzz_factor:
        return CostComparison.BETTER1
    return CostComparison.EQUAL


def add_path(kept: tuple[PathCost, ...], new: PathCost, *, consider_startup: bool = False) -> tuple[PathCost, ...]:
    """The paths kept of a relation once `new` has been offered, in the planner's order (cheapest first).

    Holds for paths alike in sort order, parameters, rows and parallel safety; where these differ, more may stay.
    """
    survivors: list[PathCost] = []
    insert_at = 0
    for position, old in enumerate(kept):
        verdict = compare_path_costs_fuzzily(new, old, consider_startup=consider_startup)
        if verdict is CostComparison.EQUAL:
            verdict = compare_path_costs_fuzzily(new, old, _TIE_BREAK_FACTOR, consider_startup=consider_startup)
            if verdict is not CostComparison.BETTER1:
                verdict = CostComparison.BETTER2
        if verdict is CostComparison.BETTER2:
            return (*survivors, *kept[position:])
        if verdict is CostComparison.BETTER1:
            continue
        survivors.append(old)
        if new.disabled_nodes > old.disabled_nodes or (
            new.disabled_nodes == old.disabled_nodes and new.total_cost >= old.total_cost
        ):
            insert_at = len(survivors)
    survivors.insert(insert_at, new)
    return tuple(survivors)


def choose_path(paths: Iterable[PathCost], *, fraction: float = 1.0, consider_startup: bool = False) -> PathCost | None:
    """The path that the planner takes of those offered, in the order offered; None of none.

    `fraction` is the share of the rows that will be fetched (LIMIT rows over the path's rows); below 1 it implies
    `consider_startup`.
    """
    some = 0.0 < fraction < 1.0
    kept: tuple[PathCost, ...] = ()
    for path in paths:
        kept = add_path(kept, path, consider_startup=consider_startup or some)
    best: PathCost | None = None
    for path in kept:
        if best is None or compare_fractional_path_costs(best, path, fraction if some else 1.0) > 0:
            best = path
    return best
