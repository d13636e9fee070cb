"""What a plan tells of a nested loop's inner side: the cost of one execution, and how it changes with their number.

The printed cost per execution is rounded to a cent, which thousands of executions multiply; the join's own total cost
gives it back more exactly. With more executions pages are shared (Mackert-Lohman), with fewer they are not: the cost of
one lies between 'no page is ever read twice' and 'every execution reads its own'.
"""

from __future__ import annotations

from rowreckon.cost import CostSettings, PathCost
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.plan.base import PlanNode
from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.nodes import BitmapHeapScanNode, IndexScanNode
from rowreckon.plan.tree import index_of

from .inputs import ParameterisedAccess
from .sides import JoinFacts

_ROUNDING = 0.005
_LEAST_PRECISE = 0.01


def executed_access(
    settings: CostSettings, reckoned: ReckonedTree, facts: JoinFacts, mode: str
) -> ParameterisedAccess | None:
    """The inner side that ran; `mode` is likely, low or high."""
    tree = reckoned.tree
    top = tree.nodes[facts.inner.child]
    join, outer = tree.nodes[facts.node], tree.nodes[facts.outer.child]
    if top.total_cost is None or top.startup_cost is None or join.total_cost is None or outer.total_cost is None:
        return None
    rows = max(facts.inner.planner_rows, 1.0)
    loops = max(facts.outer.planner_rows, 1.0)
    printed, startup = float(top.total_cost), float(top.startup_cost)
    total, exact = printed, _ROUNDING / max(printed, _ROUNDING) <= _LEAST_PRECISE
    early = facts.inner_unique or facts.kind in ("Semi", "Anti")
    if not early and loops > 1.0:
        emitted = settings.cpu_tuple_cost * loops * rows
        solved = (float(join.total_cost) - float(outer.total_cost) - emitted) / loops
        if abs(solved - printed) <= _ROUNDING + 1e-9 or facts.inner.memoized:
            total = max(solved, 0.0)
    scan = tree.nodes[facts.inner.scan] if facts.inner.scan is not None else None
    least = min(_cpu(settings, scan, rows) if not facts.inner.memoized else settings.cpu_tuple_cost, total)
    simple = isinstance(scan, (IndexScanNode, BitmapHeapScanNode))

    def path(asked: float) -> PathCost:
        shared = total
        if mode == "low" and asked > loops:
            shared = least + (total - least) * loops / asked
        elif mode == "high" and asked < loops:
            shared = min(total * loops / max(asked, 1.0), total + 4.0 * settings.random_page_cost * (1.0 + rows))
        elif mode == "likely" and asked > loops:
            shared = least + (total - least) * (0.5 + 0.5 * loops / asked)
        begin = min(startup, shared)
        return PathCost(begin, shared, rows, facts.inner.width, begin, shared, 0, top.node_type)

    return ParameterisedAccess(
        at=path,
        access=_access(scan),
        index=_index(reckoned, facts),
        indexed=simple and not facts.inner.memoized and all(c.place == "index" for c in facts.clauses),
        exact=exact,
        memoized=facts.inner.memoized,
    )


def _cpu(settings: CostSettings, scan: PlanNode | None, rows: float) -> float:
    """What one execution costs at least without any page: a descent, and the rows that it finds."""
    if not isinstance(scan, IndexScanNode):
        return 0.0
    quals = len(parse_condition(scan.index_cond).clauses) if scan.index_cond else 1
    per_entry = settings.cpu_index_tuple_cost + settings.cpu_operator_cost * quals + settings.cpu_tuple_cost
    return float(scan.startup_cost or 0.0) + rows * per_entry


def _access(scan: PlanNode | None) -> str:
    names = {"Index Scan": "index_scan", "Index Only Scan": "index_only_scan", "Bitmap Heap Scan": "bitmap_scan"}
    return names.get(scan.node_type, "per row") if scan is not None else "per row"


def _index(reckoned: ReckonedTree, facts: JoinFacts) -> str | None:
    span = reckoned.tree.subtree(facts.inner.child)
    found = [name for n in span if (name := index_of(reckoned.tree.nodes[n])) is not None]
    return found[0] if len(found) == 1 else None
