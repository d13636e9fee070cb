"""How much a plan would write to temporary files, by a rough reckoning made before it is run. Pure.

Hash and Sort nodes keep their rows in memory up to a limit and write the rest. Rows are taken from what the executed
plan counted for the same tables, since the estimate is just what is in doubt.
"""

from __future__ import annotations

from collections.abc import Mapping

from rowreckon.counts.reckon import ReckonedTree
from rowreckon.plan.nodes import AggregateNode, HashNode, IncrementalSortNode, MaterializeNode, SortNode
from rowreckon.plan.tree import PlanTree, tables_below

_ROW_OVERHEAD = 24  # bytes: a tuple's header, rounded up (src/include/access/htup_details.h)
_KB = 1024.0


def spilled_kb(tree: PlanTree, executed: ReckonedTree, *, work_mem_kb: float, hash_mem_multiplier: float) -> float:
    """Kilobytes that the plan would write, 0 where all fits; an order of magnitude, not a promise."""
    counted = _counted(executed)
    tables = tables_below(tree)
    written = 0.0
    for number, node in enumerate(tree.nodes):
        if isinstance(node, HashNode | AggregateNode):
            limit = work_mem_kb * hash_mem_multiplier
        elif isinstance(node, SortNode | IncrementalSortNode | MaterializeNode):
            limit = work_mem_kb
        else:
            continue
        if isinstance(node, AggregateNode) and node.strategy not in ("Hashed", "Mixed"):
            continue
        rows = max(float(node.plan_rows or 0), counted.get(frozenset(tables[number]), 0.0))
        size = rows * ((node.plan_width or 0) + _ROW_OVERHEAD) / _KB
        if size > limit:
            written += size
    return written


def _counted(executed: ReckonedTree) -> Mapping[frozenset[str], float]:
    """The most rows that any node over the same tables delivered."""
    found: dict[frozenset[str], float] = {}
    for tables, count in zip(executed.tables, executed.counts, strict=True):
        if count.actual is not None:
            key = frozenset(tables)
            found[key] = max(found.get(key, 0.0), count.actual)
    return found
