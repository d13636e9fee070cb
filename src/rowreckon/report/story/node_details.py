"""What is told of a node on demand: its rows in words, loops and processes, conditions, blocks, memory."""

from __future__ import annotations

from rowreckon.document.audit import Node, NodeBlocks
from rowreckon.report.words.escape import quote
from rowreckon.report.words.numbers import count_of, milliseconds, number
from rowreckon.report.words.sentences import expected_came

_CONDITION_SHOWN = 600
_KB = frozenset(("Peak Memory Usage", "Disk Usage", "Sort Space Used"))
_FIGURE_WORDS = {
    "Workers Planned": "Workers planned",
    "Workers Launched": "Workers launched",
    "Hash Batches": "Batches of the hash table",
    "Peak Memory Usage": "Memory at most",
    "Disk Usage": "Disk used",
    "HashAgg Batches": "Batches of the aggregate",
    "Sort Space Used": "Space of the sort",
    "Heap Fetches": "Heap fetches",
    "Index Searches": "Index searches",
    "Cache Hits": "Cache hits",
    "Cache Misses": "Cache misses",
    "Cache Evictions": "Cache evictions",
    "Subplans Removed": "Subplans removed",
}


def node_details(node: Node, *, analyzed: bool) -> tuple[tuple[str, str], ...]:
    """(what, figure or text) in the order of interest."""
    rows = [("Rows", expected_came(node, analyzed=analyzed))]
    if node.own_ms is not None:
        rows.append(("Time of its own", milliseconds(node.own_ms)))
    if node.index:
        rows.append(("Index", quote(node.index, 80)))
    for item in node.conditions:
        removed = f"; {count_of(item.rows_removed, 'row')} removed" if item.rows_removed else ""
        rows.append((item.kind, f"{quote(item.condition, _CONDITION_SHOWN)}{removed}"))
    if node.loops is not None and node.loops != 1:
        rows.append(("Loops", number(node.loops)))
    if node.workers:
        rows.append(("Workers", number(node.workers)))
    if node.blocks is not None:
        rows.append(("Blocks of its own", _blocks(node.blocks)))
    for key, value in node.figures.items():
        rows.append((_FIGURE_WORDS[key], f"{number(value)} kB" if key in _KB else number(value)))
    return tuple(rows)


def _blocks(blocks: NodeBlocks) -> str:
    parts = [
        (blocks.shared_hit + blocks.local_hit, "found in memory"),
        (blocks.shared_read + blocks.local_read, "read"),
        (blocks.shared_dirtied, "changed"),
        (blocks.shared_written, "written"),
        (blocks.temp_read, "of temporary files read"),
        (blocks.temp_written, "of temporary files written"),
    ]
    return ", ".join(f"{number(count)} {what}" for count, what in parts if count) or "none"
