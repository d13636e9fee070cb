"""What a trial says of a plan: the tables that it writes to, and the order in which it joins."""

from __future__ import annotations

from rowreckon.plan.nodes import BitmapHeapScanNode, BitmapIndexScanNode, JoinNode
from rowreckon.plan.same import AsRun
from rowreckon.plan.tree import PlanTree


def written_tables(plan: AsRun) -> frozenset[str]:
    """The tables that a plan writes to, as `schema.name` and as `name`."""
    found: set[str] = set()
    for _, kept in plan:
        node = dict(kept)
        if node.get("Node Type") == "ModifyTable" and "Relation Name" in node:
            found.add(node["Relation Name"])
            found.add(f"{node.get('Schema')}.{node['Relation Name']}")
    return frozenset(found)


def join_order(tree: PlanTree) -> str | None:
    """The joins of a plan in words, the outer side first: `(bookings join guests) join huts`; None without a join."""
    if not tree.joins():
        return None
    text: list[str] = [""] * len(tree)
    for number in range(len(tree) - 1, -1, -1):
        node = tree.nodes[number]
        inputs = [text[child] for child in tree.inputs(number) if text[child]]
        if isinstance(node, JoinNode) and len(inputs) == 2:
            text[number] = f"{_grouped(inputs[0])} join {_grouped(inputs[1])}"
        elif not tree.inputs(number) and not isinstance(node, BitmapIndexScanNode):
            text[number] = str(getattr(node, "alias", None) or node.node_type.lower())
        elif isinstance(node, BitmapHeapScanNode):
            text[number] = str(node.alias or node.relation_name)
        elif len(inputs) > 1:
            text[number] = _appended(inputs)
        elif inputs:
            text[number] = inputs[0]
    return text[0] or None


def _grouped(side: str) -> str:
    return f"({side})" if " join " in side and not (side.startswith("(") and side.endswith("]")) else side


def _appended(inputs: list[str]) -> str:
    """Partitions and branches of a UNION, which can be many."""
    listed = ", ".join(inputs[:2])
    return f"[{listed}]" if len(inputs) <= 2 else f"[{listed}, and {len(inputs) - 2} more]"
