"""Append and Merge Append: the rows of several inputs, one after the other or merged in their order.

Source: cost_append and cost_merge_append in optimizer/path/costsize.c, releases 13 to 18. Parallel Append is not
modelled.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import log2

from rowreckon.cost.path import PathCost
from rowreckon.cost.settings import CostSettings

_APPEND_CPU_COST_MULTIPLIER = 0.5


def cost_append(settings: CostSettings, inputs: Sequence[PathCost], width: int = 0) -> PathCost:
    """Append of these paths, at least one, in their order; half of cpu_tuple_cost is charged per row."""
    rows = sum(path.rows for path in inputs)
    startup = inputs[0].startup_cost
    total = sum(path.total_cost for path in inputs) + _APPEND_CPU_COST_MULTIPLIER * settings.cpu_tuple_cost * rows
    disabled = sum(path.disabled_nodes for path in inputs)
    return PathCost(startup, total, rows, width, startup, total, disabled, "Append")


def cost_merge_append(settings: CostSettings, inputs: Sequence[PathCost], width: int = 0) -> PathCost:
    """Merge Append of these sorted paths, at least one: a heap of their next rows is kept in order."""
    rows = sum(path.rows for path in inputs)
    streams = max(len(inputs), 2)
    comparison = 2.0 * settings.cpu_operator_cost * log2(streams)
    startup = sum(path.startup_cost for path in inputs) + comparison * streams
    total = sum(path.total_cost for path in inputs) + comparison * streams + comparison * rows
    total += _APPEND_CPU_COST_MULTIPLIER * settings.cpu_tuple_cost * rows
    disabled = sum(path.disabled_nodes for path in inputs)
    return PathCost(startup, total, rows, width, startup, total, disabled, "Merge Append")
