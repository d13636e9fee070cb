"""Where a plan's printed figures disagree with today's facts: one is older, or they are of different places. Pure.

Compared are scans that depend on no other relation's rows: the planner was asked about the same scan under the same
conditions, and the same facts would have given the same cost.
"""

from __future__ import annotations

from collections.abc import Iterator

from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.nodes import BitmapHeapScanNode, IndexScanNode, ScanNode
from rowreckon.plan.tree import PlanTree, index_of
from rowreckon.plural import counted

from .facts import Catalog

_TOLERANCE = 0.01
"""The planner's own fuzz: costs this near count as equal."""


def drift_notes(tree: PlanTree, catalog: Catalog) -> tuple[str, ...]:
    """A sentence for each scan whose cost or rows would be another today; nothing where all agree."""
    notes: dict[str, None] = {}
    for number, node in enumerate(tree.nodes):
        if not isinstance(node, ScanNode) or not node.alias or not _independent(node) or node.parallel_aware:
            continue
        relation = catalog.relation(node.relation_name or "", node.schema_name)
        estimate = catalog.estimate(node.alias, relation.oid) if relation is not None else None
        if relation is None or estimate is None or estimate.left_out:
            continue
        name = relation.qualified_name
        if node.plan_rows is not None and _differs(float(node.plan_rows), estimate.rows, least=1.0):
            notes[
                f"the plan expects {counted(node.plan_rows, 'row')} of {name}, today's statistics give"
                f" {estimate.rows:,.0f}: they are not those that the plan was made with"
            ] = None
        index = index_of(node) if isinstance(node, IndexScanNode) else _bitmap_index(tree, number)
        for path in estimate.paths:
            same = path.node_type == node.node_type and path.index == index and path.asked != "cheapest"
            if same and node.total_cost is not None and _differs(float(node.total_cost), path.total_cost, least=0.02):
                notes[
                    f"the plan prints a cost of {node.total_cost:,.2f} for its {node.node_type} of {name}, today's"
                    f" facts give {path.total_cost:,.2f}: size, statistics or settings have changed since"
                ] = None
    return tuple(notes)


def _differs(printed: float, today: float, *, least: float) -> bool:
    return abs(printed - today) > max(least, _TOLERANCE * max(printed, today))


def _bitmap_index(tree: PlanTree, number: int) -> str | None:
    """The one index below a bitmap heap scan."""
    names = {name for n in tree.subtree(number) if (name := index_of(tree.nodes[n])) is not None}
    return names.pop() if len(names) == 1 else None


def _independent(node: ScanNode) -> bool:
    return all(
        condition.parsed
        and all(
            (c.table or node.alias) == node.alias and not clause.parameters and not clause.subplans
            for clause in condition.clauses
            for c in clause.columns
        )
        for condition in map(parse_condition, _conditions(node))
    )


def _conditions(node: ScanNode) -> Iterator[str]:
    texts = [node.filter, node.tid_cond]
    if isinstance(node, IndexScanNode):
        texts.append(node.index_cond)
    if isinstance(node, BitmapHeapScanNode):
        texts.append(node.recheck_cond)
    yield from filter(None, texts)
