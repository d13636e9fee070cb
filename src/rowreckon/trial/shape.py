"""What of a plan makes it another plan, and the order in which it joins."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rowreckon.plan.nodes import BitmapHeapScanNode, BitmapIndexScanNode, JoinNode
from rowreckon.plan.tree import PlanTree

_NUMBERS_THAT_COUNT = frozenset(("Workers Planned", "Subplans Removed"))
# what EXPLAIN VERBOSE says of a node without its being run otherwise
_SAID_ONLY = frozenset(("Output", "Plans"))

Shape = tuple[tuple[int, tuple[tuple[str, str], ...]], ...]


def shape_of(plan: Mapping[str, Any]) -> Shape:
    """All that two plans must share to be the same: nodes, their places, relations, indexes, conditions, keys.

    `plan` is the root node as EXPLAIN prints it. Estimates and costs do not count.
    """
    found: list[tuple[int, tuple[tuple[str, str], ...]]] = []
    stack: list[tuple[int, Mapping[str, Any]]] = [(0, plan)]
    while stack:
        depth, node = stack.pop()
        kept = sorted((key, str(value)) for key, value in node.items() if key not in _SAID_ONLY and _counts(key, value))
        found.append((depth, tuple(kept)))
        stack.extend((depth + 1, child) for child in reversed(node.get("Plans", ())))
    return tuple(found)


def _counts(key: str, value: Any) -> bool:
    if isinstance(value, bool | str | list):
        return True
    return key in _NUMBERS_THAT_COUNT


def written_tables(shape: Shape) -> frozenset[str]:
    """The tables that a plan writes to, as `schema.name` and as `name`."""
    found: set[str] = set()
    for _, kept in shape:
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
