"""Which of a join's modelled ways was executed, and what it costs at the actual rows over the cheapest one.

A join's verdict compares methods, each at its cheapest way. The executed way may be dearer than that: a nested loop
over a sequential scan, harmless for the one outer row expected, where the same loop over an index was as cheap.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.nodes import BitmapIndexScanNode, IndexScanNode, MaterializeNode, MemoizeNode

if TYPE_CHECKING:
    from rowreckon.document.audit import Join, Way
    from rowreckon.plan.tree import PlanTree

_ACCESS = {
    "Seq Scan": "seq_scan",
    "Index Scan": "index_scan",
    "Index Only Scan": "index_only_scan",
    "Bitmap Heap Scan": "bitmap_scan",
}

_FITS = 1.05
"""The executed way has to be about the cheapest at the estimates, as the planner found it: else the model misses
something, and its figure at the actual rows is no evidence (common practice, no source)."""


def executed_way(join: Join, tree: PlanTree) -> Way | None:
    """The existing way of the executed method that the plan shows, None where none or several correspond to it."""
    cost = join.costs.get(join.method)
    if cost is None:
        return None
    ways = [w for w in cost.ways if not w.hypothetical and not w.sides_turned and w.at_actual is not None]
    if join.method != "nested_loop":
        return min(ways, key=lambda w: w.at_estimate if w.at_estimate is not None else float("inf"), default=None)
    shown = _inner_access(join, tree)
    same = [w for w in ways if shown is not None and (w.access, w.index) == shown]
    return same[0] if len(same) == 1 else None


def loss_of(join: Join, tree: PlanTree) -> float | None:
    """Planner cost of the executed way over that of the cheapest existing one, both at the actual rows; at least 1.

    The join's own `loss_factor` where the executed way cannot be told, None where neither is known.
    """
    way = executed_way(join, tree) if join.verdict != "undecided" else None
    best = min((c.at_actual for c in join.costs.values() if c.at_actual is not None), default=None)
    planned = min((c.at_estimate for c in join.costs.values() if c.at_estimate is not None), default=None)
    if way is None or way.at_actual is None or way.at_estimate is None or not best or planned is None:
        return join.loss_factor
    if way.at_estimate > _FITS * planned:
        return join.loss_factor
    return max(way.at_actual / best, join.loss_factor or 1.0, 1.0)


def _inner_access(join: Join, tree: PlanTree) -> tuple[str, str | None] | None:
    number = tree.inner(join.node)
    over = []
    while number is not None:
        node = tree.nodes[number]
        if isinstance(node, MaterializeNode):
            over.append("materialize")
        elif isinstance(node, MemoizeNode):
            over.append("memoize")
        else:
            break
        number = tree.inputs(number)[0] if len(tree.inputs(number)) == 1 else None
    if number is None:
        return None
    access = _ACCESS.get(node.node_type)
    text = " of ".join((*over, access) if access is not None else over) or "plain"
    return text, _index_of(tree, number)


def _index_of(tree: PlanTree, number: int) -> str | None:
    """The index by which a scan finds the rows for an outer row; None for a scan that takes nothing from it."""
    for below in tree.subtree(number):
        node = tree.nodes[below]
        if isinstance(node, (IndexScanNode, BitmapIndexScanNode)) and node.index_cond is not None:
            alias = getattr(tree.nodes[number], "alias", None)
            if any(c.tables - {alias} for c in parse_condition(node.index_cond).clauses):
                return node.index_name
    return None
