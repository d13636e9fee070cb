"""The audit document: one node of a plan, and what it did."""

from typing import Literal

from pydantic import Field

from rowreckon.document.base import MaybeFloat, MaybeInt, MaybeText, Part
from rowreckon.document.join import CountState, Direction


class NodeCondition(Part):
    """An expression of a node; `kind` is PostgreSQL's word for it, `rows_removed` a total over loops and workers."""

    kind: str
    condition: str
    rows_removed: MaybeFloat = None


class NodeBlocks(Part):
    """Blocks that the node touched itself, its children's taken off: totals over loops and workers."""

    shared_hit: float = 0.0
    shared_read: float = 0.0
    shared_dirtied: float = 0.0
    shared_written: float = 0.0
    local_hit: float = 0.0
    local_read: float = 0.0
    temp_read: float = 0.0
    temp_written: float = 0.0


Figure = Literal[
    "Workers Planned",
    "Workers Launched",
    "Hash Batches",
    "Peak Memory Usage",
    "Disk Usage",
    "HashAgg Batches",
    "Sort Space Used",
    "Heap Fetches",
    "Index Searches",
    "Cache Hits",
    "Cache Misses",
    "Cache Evictions",
    "Subplans Removed",
]


class Node(Part):
    """One node of a plan; `id` is its pre-order number, InitPlans and SubPlans included.

    `name` is what EXPLAIN's text form calls it, `figures` what it says of its work under PostgreSQL's own keys (memory
    and disk in kB).
    """

    id: int
    path: tuple[int, ...]
    node_type: str
    join_type: MaybeText = None
    relation: MaybeText = None
    schema_: str | None = Field(default=None, alias="schema")
    alias: MaybeText = None
    index: MaybeText = None
    subplan_name: MaybeText = None
    parent_relationship: MaybeText = None
    estimated_rows: MaybeFloat = None
    estimated_rows_low: MaybeFloat = None
    estimated_rows_high: MaybeFloat = None
    estimated_rows_per_loop: MaybeFloat = None
    planned_rows: MaybeFloat = None
    planned_loops: MaybeFloat = None
    actual_rows: MaybeFloat = None
    actual_rows_low: MaybeFloat = None
    actual_rows_high: MaybeFloat = None
    loops: MaybeFloat = None
    workers: MaybeInt = None
    in_each_of: MaybeInt = None
    """Processes that each ran the node whole: the totals are this many times what one of them saw."""
    count: CountState
    q_error: MaybeFloat = None
    q_error_low: MaybeFloat = None
    direction: Direction | None = None
    q_error_here: MaybeFloat = None
    direction_here: Direction | None = None
    own_ms: MaybeFloat = None
    tables: tuple[str, ...] = ()
    name: MaybeText = None
    conditions: tuple[NodeCondition, ...] = ()
    blocks: NodeBlocks | None = None
    figures: dict[Figure, float] = Field(default_factory=dict)
