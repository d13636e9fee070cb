"""The one value that cost functions take and give: a path with its costs.

A path is what the planner compares: a way to produce rows, with a cost to the first row, a cost to the last and a
cost of doing it again. Both kinds of values are tuples, because thousands are made while a switch point is sought.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import NamedTuple


class QualCost(NamedTuple):
    """The cost of evaluating expressions, in planner cost: once per scan, and once per row."""

    startup: float = 0.0
    per_tuple: float = 0.0


FREE = QualCost()
"""No expressions at all, or only plain columns."""


class PathCost(NamedTuple):
    """A path with its costs, as EXPLAIN would print them without rounding.

    `startup_cost` and `total_cost` are planner cost, `rows` the rows of one execution (of one process where the
    path is partial), `width` bytes per row. The rescan costs are what a nested loop pays for each execution after
    the first. `disabled_nodes` counts path types that a setting disabled (18 and later; 0 before). `kind` is
    EXPLAIN's `Node Type`.
    """

    startup_cost: float
    total_cost: float
    rows: float
    width: int
    rescan_startup_cost: float
    rescan_total_cost: float
    disabled_nodes: int = 0
    kind: str = ""

    @property
    def run_cost(self) -> float:
        """Planner cost from the first row to the last."""
        return self.total_cost - self.startup_cost

    def with_rows(self, rows: float) -> PathCost:
        """The same path if it delivered another number of rows at the same cost (a misestimated filter)."""
        return self._replace(rows=rows)


_Fields = tuple[float, float, float, int, float, float, int, str]
made_path: Callable[[_Fields], PathCost] = partial(tuple.__new__, PathCost)
"""A PathCost of its fields in their order without the detour over `PathCost.__new__`: for what is made in thousands."""

MARK_RESTORE_KINDS = frozenset({"Index Scan", "Index Only Scan", "Materialize", "Sort"})
"""Node types that can go back to a marked position, as a merge join's inner side may have to.

Source: ExecSupportsMarkRestore in executor/execAmi.c; a Custom Scan and a Result above one of these may too.
"""
