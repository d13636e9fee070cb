"""What EXPLAIN's text form calls a node: `Finalize GroupAggregate`, `Parallel Seq Scan`, `Hash Right Join`.

FORMAT JSON gives the parts under keys of their own. Source: ExplainNode in commands/explain.c, releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rowreckon.plan.base import PlanNode

_AGGREGATES = {"Plain": "Aggregate", "Sorted": "GroupAggregate", "Hashed": "HashAggregate", "Mixed": "MixedAggregate"}
_JOINS = {"Nested Loop": "Nested Loop", "Hash Join": "Hash", "Merge Join": "Merge"}


def full_name(node: PlanNode) -> str:
    """The node's whole name, without its relation and index."""
    return _whole_name(node.node_type, node.__dict__)  # a family lacks the keys that its nodes never carry


def printed_name(node: Mapping[str, Any]) -> str:
    """The same of a node as FORMAT JSON prints it, for an answer that nobody reads into a tree."""
    keys = {key.lower().replace(" ", "_"): value for key, value in node.items()}
    return _whole_name(str(node.get("Node Type")), keys)


def _whole_name(kind: str, keys: Mapping[str, Any]) -> str:
    name = _own_name(kind, keys)
    if keys.get("async_capable"):
        name = f"Async {name}"
    return f"Parallel {name}" if keys.get("parallel_aware") else name


def _own_name(kind: str, keys: Mapping[str, Any]) -> str:
    if kind in _JOINS:
        return _join_name(kind, keys.get("join_type"))
    if kind == "Aggregate":
        name = _AGGREGATES.get(keys.get("strategy") or "Plain", kind)
        partial = keys.get("partial_mode")
        return f"{partial} {name}" if partial and partial != "Simple" else name
    if kind == "SetOp":
        name = "HashSetOp" if keys.get("strategy") == "Hashed" else kind
        return f"{name} {keys['command']}" if keys.get("command") else name
    if kind == "ModifyTable" and keys.get("operation"):
        return str(keys["operation"])
    if kind == "Foreign Scan" and keys.get("operation") not in (None, "Select"):
        return f"Foreign {keys['operation']}"
    if kind == "Custom Scan" and keys.get("custom_plan_provider"):
        return f"{kind} ({keys['custom_plan_provider']})"
    return f"{kind} Backward" if keys.get("scan_direction") == "Backward" else kind


def _join_name(kind: str, join_type: str | None) -> str:
    if join_type and join_type != "Inner":
        return f"{_JOINS[kind]} {join_type} Join"
    return kind
