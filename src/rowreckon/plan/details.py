"""What a node says of its work beside rows and times: its conditions, the blocks that it touched itself, figures."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

from rowreckon.document.node import NodeBlocks, NodeCondition
from rowreckon.plan.base import PlanNode

_NOTHING: tuple[NodeCondition, ...] = ()

# Key of our nodes: PostgreSQL's word, and the key of what the condition removed, per loop.
_CONDITIONS = {
    "index_cond": ("Index Cond", None),
    "recheck_cond": ("Recheck Cond", "rows_removed_by_index_recheck"),
    "tid_cond": ("TID Cond", None),
    "hash_cond": ("Hash Cond", None),
    "merge_cond": ("Merge Cond", None),
    "join_filter": ("Join Filter", "rows_removed_by_join_filter"),
    "one_time_filter": ("One-Time Filter", None),
    "run_condition": ("Run Condition", None),
    "filter": ("Filter", "rows_removed_by_filter"),
    "cache_key": ("Cache Key", None),
    "sort_key": ("Sort Key", None),
    "presorted_key": ("Presorted Key", None),
    "group_key": ("Group Key", None),
}
_FIGURES = {
    "workers_planned": "Workers Planned",
    "workers_launched": "Workers Launched",
    "hash_batches": "Hash Batches",
    "peak_memory_usage": "Peak Memory Usage",
    "disk_usage": "Disk Usage",
    "hashagg_batches": "HashAgg Batches",
    "sort_space_used": "Sort Space Used",
    "heap_fetches": "Heap Fetches",
    "index_searches": "Index Searches",
    "cache_hits": "Cache Hits",
    "cache_misses": "Cache Misses",
    "cache_evictions": "Cache Evictions",
    "subplans_removed": "Subplans Removed",
}
_BLOCK_KEYS = tuple((f"{name}_blocks", name) for name in NodeBlocks.model_fields)
_NO_BLOCKS = dict.fromkeys(NodeBlocks.model_fields, 0.0)


@cache
def _carried(family: type[PlanNode]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Which of the conditions and figures a family of nodes can carry."""
    fields = family.model_fields
    return tuple(key for key in _CONDITIONS if key in fields), tuple(key for key in _FIGURES if key in fields)


def conditions(node: PlanNode) -> tuple[NodeCondition, ...]:
    """The node's expressions, those that narrow its rows first."""
    keys = node.__dict__
    found = [_condition(node, key) for key in _carried(type(node))[0] if keys[key] is not None]
    return tuple(found) if found else _NOTHING


def _condition(node: PlanNode, key: str) -> NodeCondition:
    keys = node.__dict__
    kind, removed = _CONDITIONS[key]
    text = keys[key]
    away = keys.get(removed) if removed else None
    return NodeCondition.trusted(
        {
            "kind": kind,
            "condition": text if isinstance(text, str) else ", ".join(text),
            "rows_removed": None if away is None else float(away) * node.loops,
        }
    )


def figures(node: PlanNode) -> dict[str, float]:
    """What the node says of its work, under PostgreSQL's keys."""
    keys = node.__dict__
    return {_FIGURES[key]: float(keys[key]) for key in _carried(type(node))[1] if keys[key] is not None}


def own_blocks(node: PlanNode, children: Sequence[PlanNode]) -> NodeBlocks | None:
    """The blocks that a node touched itself: EXPLAIN prints them with its children's. None where it prints none.

    An InitPlan runs wherever its value is first needed, so that nothing is taken off for it.
    """
    keys = node.__dict__
    if keys["shared_hit_blocks"] is None and keys["shared_read_blocks"] is None:
        return None
    values = dict(_NO_BLOCKS)
    for key, name in _BLOCK_KEYS:
        whole = keys[key]
        if whole:
            below = sum(child.__dict__[key] or 0 for child in children if child.parent_relationship != "InitPlan")
            values[name] = max(0.0, float(whole - below))
    return NodeBlocks.trusted(values)
