"""What TEXT leaves out because it is zero or plain: added where the text implies it, and only there."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from rowreckon.reading.explain_text.details import fill_buffers
from rowreckon.reading.explain_text.tree import UNKNOWN

_RECHECKED = ("Index Scan", "Index Only Scan", "Bitmap Heap Scan")
_REMOVED = {
    "Filter": "Rows Removed by Filter",
    "Join Filter": "Rows Removed by Join Filter",
    "Conflict Filter": "Rows Removed by Conflict Filter",
}
_WAL = ("WAL Records", "WAL FPI", "WAL Bytes")


def complete(root: dict[str, Any], document: dict[str, Any]) -> tuple[str, ...]:
    """Fill in what is implied below `root`; returns notes on what this form can't carry."""
    nodes = list(_nodes(root))
    parts = [*nodes, *(worker for node in nodes for worker in node.get("Workers", ()) if "Actual Loops" in worker)]
    timed = any("Actual Total Time" in node for node in nodes)
    verbose = any("Output" in node for node in nodes)
    with_buffers = any("Shared Hit Blocks" in part for part in parts)
    io_keys = {key for part in parts for key in part if key.endswith((" Read Time", " Write Time"))}
    with_wal = any("WAL Records" in part or "WAL Bytes" in part for part in parts)
    for node in nodes:
        _complete_node(node, timed=timed, verbose=verbose)
    for part in parts:
        if with_buffers:
            fill_buffers(part)
        for key in _io_pairs(io_keys):
            part.setdefault(key, 0.0)
        if with_wal:
            for key in _WAL:
                part.setdefault(key, 0)
    if "Shared Hit Blocks" in document.get("Planning", {}):
        for key in _io_pairs(io_keys):
            document["Planning"].setdefault(key, 0.0)
    return tuple(_lacking(nodes, document, verbose=verbose))


def _nodes(root: dict[str, Any]) -> Iterator[dict[str, Any]]:
    stack = [root]
    while stack:
        node = stack.pop()
        yield node
        stack.extend(node.get("Plans", ()))


def _complete_node(node: dict[str, Any], *, timed: bool, verbose: bool) -> None:
    kind = node["Node Type"]
    executed = "Actual Loops" in node
    if executed:
        if timed and "Actual Total Time" not in node:
            node["Actual Startup Time"] = node["Actual Total Time"] = 0.0
        for condition, removed in _REMOVED.items():
            if condition in node:
                node.setdefault(removed, 0)
        if kind in _RECHECKED and ("Index Cond" in node or "Recheck Cond" in node):
            node.setdefault("Rows Removed by Index Recheck", 0)
        if kind == "Bitmap Heap Scan":
            node.setdefault("Exact Heap Blocks", 0)
            node.setdefault("Lossy Heap Blocks", 0)
        if "HashAgg Batches" in node and "Plan Rows" in node:
            node.setdefault("Planned Partitions", 0)
        if kind == "ModifyTable" and node["Operation"] == "Merge":
            for count in ("Inserted", "Updated", "Deleted", "Skipped"):
                node.setdefault(f"Tuples {count}", 0)
    if kind in ("Append", "Merge Append"):
        node.setdefault("Subplans Removed", 0)
    if kind in ("Gather", "Gather Merge") and kind == "Gather":
        node.setdefault("Single Copy", False)
    if "Join Type" in node and verbose:
        node.setdefault("Inner Unique", False)
    call = node.get("Function Call")
    if kind == "Function Scan" and call is not None and "), " in call and "Schema" not in node:
        # Several functions side by side have no name of their own: what stands there is the alias.
        node.pop("Function Name", None)


def _io_pairs(keys: set[str]) -> Iterator[str]:
    """Every time that the release prints if it prints these: reads and writes come in pairs."""
    kinds = {key.removesuffix(" Read Time").removesuffix(" Write Time") for key in keys}
    if kinds & {"Shared I/O", "Local I/O"}:
        kinds = {"Shared I/O", "Local I/O", "Temp I/O"}
    for kind in sorted(kinds):
        yield f"{kind} Read Time"
        yield f"{kind} Write Time"


def _lacking(nodes: list[dict[str, Any]], document: dict[str, Any], *, verbose: bool) -> Iterator[str]:
    if not verbose and any("Join Type" in node for node in nodes):
        yield (
            "the text form does not tell whether a join's inner side is unique (Inner Unique);"
            " FORMAT JSON or VERBOSE does"
        )
    unknown = sum(len(node.get(UNKNOWN, ())) for node in [*nodes, document])
    if unknown:
        yield f"{unknown} line{'s were' if unknown > 1 else ' was'} not understood and kept as text"
