"""The node that every family extends: identity, estimates, actuals, buffers, workers.

Units: costs in planner units; rows and times per loop, as PostgreSQL prints them (Actual Rows × Actual Loops is the
total); buffers in blocks and I/O times in ms, both cumulative over children and loops; widths in bytes. Keys that this
release does not know are kept under PostgreSQL's own names, and never dropped.

Annotations are real objects in this package, not strings: what they say of a field's values is read from them.
"""

from typing import Annotated

from rowreckon.plan.keys import (
    AS_IT_IS,
    MaybeFlag,
    MaybeLoops,
    MaybeNumber,
    MaybeSigned,
    MaybeText,
    MaybeTexts,
    Number,
    Text,
)
from rowreckon.plan.part import ExplainPart, OnePart, Parts


class Buffers(ExplainPart):
    """Block counts and I/O times; blocks of 8 kB unless built otherwise."""

    shared_hit_blocks: MaybeNumber = None
    shared_read_blocks: MaybeNumber = None
    shared_dirtied_blocks: MaybeNumber = None
    shared_written_blocks: MaybeNumber = None
    local_hit_blocks: MaybeNumber = None
    local_read_blocks: MaybeNumber = None
    local_dirtied_blocks: MaybeNumber = None
    local_written_blocks: MaybeNumber = None
    temp_read_blocks: MaybeNumber = None
    temp_written_blocks: MaybeNumber = None
    io_read_time: MaybeNumber = None  # ms, up to 16
    io_write_time: MaybeNumber = None
    shared_io_read_time: MaybeNumber = None  # ms, from 17
    shared_io_write_time: MaybeNumber = None
    local_io_read_time: MaybeNumber = None
    local_io_write_time: MaybeNumber = None
    temp_io_read_time: MaybeNumber = None  # ms, from 15
    temp_io_write_time: MaybeNumber = None


class SortSpace(ExplainPart):
    """Average and peak space of one kind of sort group, kB."""

    average_sort_space_used: MaybeNumber = None
    peak_sort_space_used: MaybeNumber = None


class SortGroups(ExplainPart):
    """How an incremental sort's groups of one kind were sorted."""

    group_count: MaybeNumber = None
    sort_methods_used: MaybeTexts = None
    sort_space_memory: Annotated[SortSpace | None, OnePart(SortSpace)] = None
    sort_space_disk: Annotated[SortSpace | None, OnePart(SortSpace)] = None


class Worker(Buffers):
    """One parallel worker's share of a node (VERBOSE): rows and times per loop of this worker."""

    required = "worker_number"

    worker_number: Number
    actual_startup_time: MaybeNumber = None
    actual_total_time: MaybeNumber = None
    actual_rows: MaybeNumber = None
    actual_loops: MaybeLoops = None
    sort_method: MaybeText = None
    sort_space_used: MaybeNumber = None  # kB
    sort_space_type: MaybeText = None
    full_sort_groups: Annotated[SortGroups | None, OnePart(SortGroups)] = None
    pre_sorted_groups: Annotated[SortGroups | None, OnePart(SortGroups)] = None
    hashagg_batches: MaybeNumber = None
    peak_memory_usage: MaybeNumber = None  # kB
    disk_usage: MaybeNumber = None  # kB
    cache_hits: MaybeNumber = None
    cache_misses: MaybeNumber = None
    cache_evictions: MaybeNumber = None
    cache_overflows: MaybeNumber = None
    exact_heap_blocks: MaybeNumber = None  # from 18
    lossy_heap_blocks: MaybeNumber = None  # from 18
    index_searches: MaybeNumber = None
    wal_records: MaybeNumber = None
    wal_fpi: MaybeNumber = None
    wal_bytes: MaybeNumber = None
    wal_buffers_full: MaybeNumber = None


class PlanNode(Buffers):
    """What every plan node has. `plans` holds the children in PostgreSQL's order, InitPlans first."""

    required = "node_type"

    node_type: Text
    parent_relationship: MaybeText = None
    subplan_name: MaybeText = None
    parallel_aware: MaybeFlag = None
    async_capable: MaybeFlag = None
    disabled: MaybeFlag = None  # from 18
    startup_cost: MaybeNumber = None
    total_cost: MaybeNumber = None
    plan_rows: MaybeNumber = None
    plan_width: MaybeSigned = None  # bytes
    actual_startup_time: MaybeNumber = None  # ms per loop
    actual_total_time: MaybeNumber = None  # ms per loop
    actual_rows: MaybeNumber = None  # per loop
    actual_loops: MaybeLoops = None
    output: MaybeTexts = None
    filter: MaybeText = None
    rows_removed_by_filter: MaybeNumber = None  # per loop
    wal_records: MaybeNumber = None
    wal_fpi: MaybeNumber = None
    wal_bytes: MaybeNumber = None
    wal_buffers_full: MaybeNumber = None
    workers: Annotated[tuple[Worker, ...] | None, Parts(Worker)] = None
    plans: Annotated[tuple["PlanNode", ...], AS_IT_IS] = ()

    def to_explain(self) -> dict[str, object]:
        """The node's own keys as PostgreSQL printed them; its children belong to the tree (`rebuild_plan`)."""
        own = super().to_explain()
        own.pop("Plans", None)
        return own

    @property
    def loops(self) -> float:
        """Executions, summed over workers; 0 if never executed or not analysed."""
        return self.actual_loops or 0
