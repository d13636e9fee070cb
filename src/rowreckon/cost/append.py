"""Append and Merge Append: the rows of several inputs, one after the other or merged in their order.

Source: cost_append, append_nonpartial_cost and cost_merge_append in optimizer/path/costsize.c, releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import log2

from rowreckon.cost.gather import parallel_divisor
from rowreckon.cost.path import PathCost
from rowreckon.cost.settings import CostSettings
from rowreckon.cost.units import clamp_row_est

_APPEND_CPU_COST_MULTIPLIER = 0.5


def append_row_cost(settings: CostSettings, merged: int = 0) -> float:
    """What an Append pays for each row, a Merge Append of `merged` inputs also for keeping their next rows in order."""
    kept = 2.0 * settings.cpu_operator_cost * log2(max(merged, 2)) if merged else 0.0
    return kept + _APPEND_CPU_COST_MULTIPLIER * settings.cpu_tuple_cost


def cost_append(
    settings: CostSettings, inputs: Sequence[PathCost], width: int = 0, *, ordered: bool = False
) -> PathCost:
    """Append of these paths, at least one, in their order; half of cpu_tuple_cost is charged per row.

    If it is `ordered`, as its rows come by the partition key, all of them are charged with their start.
    """
    rows = sum(path.rows for path in inputs)
    startup = sum(path.startup_cost for path in inputs) if ordered else inputs[0].startup_cost
    total = sum(path.total_cost for path in inputs) + append_row_cost(settings) * rows
    disabled = sum(path.disabled_nodes for path in inputs)
    return PathCost(startup, total, rows, width, startup, total, disabled, "Append")


def cost_parallel_append(
    settings: CostSettings,
    whole: Sequence[PathCost],
    shared: Sequence[tuple[PathCost, int]],
    workers: int,
    width: int = 0,
) -> PathCost:
    """Parallel Append by `workers`: each of the `whole` paths is one process's alone, the others are shared.

    `shared` holds partial paths, each with the workers that its rows and costs were divided among. Rows and costs of
    the outcome are those of one process. At least one path is needed.
    """
    divisor = parallel_divisor(settings, workers)
    first = sorted(whole, key=lambda path: -path.total_cost)
    then = sorted(shared, key=lambda given: -given[0].startup_cost)
    rows = sum(path.rows / divisor for path in first)
    rows += sum(path.rows * (parallel_divisor(settings, own) / divisor) for path, own in then)
    rows = clamp_row_est(rows)
    inputs = [*first, *(path for path, _ in then)]
    startup = min(path.startup_cost for path in inputs[: max(workers, 1)])
    total = sum(path.total_cost for path, _ in then) + _longest_share(first, workers)
    total += append_row_cost(settings) * rows
    disabled = sum(path.disabled_nodes for path in inputs)
    return PathCost(startup, total, rows, width, startup, total, disabled, "Append")


def _longest_share(paths: Sequence[PathCost], workers: int) -> float:
    """What the busiest process pays where each takes the dearest path that is left, as soon as it is free."""
    if not paths:
        return 0.0
    spent = [0.0] * max(min(workers, len(paths)), 1)
    for path in paths:
        spent[spent.index(min(spent))] += path.total_cost
    return max(spent)


def cost_merge_append(settings: CostSettings, inputs: Sequence[PathCost], width: int = 0) -> PathCost:
    """Merge Append of these sorted paths, at least one: a heap of their next rows is kept in order."""
    rows = sum(path.rows for path in inputs)
    streams = max(len(inputs), 2)
    comparison = 2.0 * settings.cpu_operator_cost * log2(streams)
    startup = sum(path.startup_cost for path in inputs) + comparison * streams
    total = sum(path.total_cost for path in inputs) + comparison * streams
    total += append_row_cost(settings, len(inputs)) * rows
    disabled = sum(path.disabled_nodes for path in inputs)
    return PathCost(startup, total, rows, width, startup, total, disabled, "Merge Append")
