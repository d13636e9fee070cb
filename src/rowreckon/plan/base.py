"""The node that every family extends: identity, estimates, actuals, buffers, workers.

Units: costs in planner units; rows and times per loop, as PostgreSQL prints them (Actual Rows × Actual Loops is the
total); buffers in blocks and I/O times in ms, both cumulative over children and loops; widths in bytes. Keys that this
release does not know are kept as extras, under PostgreSQL's own names, and never dropped.

Annotations are real objects in this package, not strings: pydantic would evaluate each string again for each family.
"""

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict

from rowreckon.plan.keys import AsItIs, Flag, Number, Signed, Text, explain_key


class ExplainPart(BaseModel):
    """Any object of EXPLAIN's output: frozen, keys by PostgreSQL's names, unknown keys kept."""

    model_config = ConfigDict(
        frozen=True,
        extra="allow",
        alias_generator=explain_key,
        populate_by_name=False,
        arbitrary_types_allowed=True,
        defer_build=True,
        protected_namespaces=(),
    )

    @property
    def unknown_keys(self) -> dict[str, Any]:
        """Keys that are kept but not understood, with their values."""
        return self.model_extra or {}

    def to_explain(self) -> dict[str, Any]:
        """The object as PostgreSQL printed it: typed fields under their keys, plus the kept unknowns."""
        fields = type(self).model_fields
        given = self.model_fields_set
        own = {fields[name].alias or name: _plain(value) for name, value in self.__dict__.items() if name in given}
        return own | self.unknown_keys


def _plain(value: Any) -> Any:
    if isinstance(value, PlanNode):
        return {}  # filled in by `rebuild_plan`
    if isinstance(value, ExplainPart):
        return value.to_explain()
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    return value


class Buffers(ExplainPart):
    """Block counts and I/O times; blocks of 8 kB unless built otherwise."""

    shared_hit_blocks: Number | None = None
    shared_read_blocks: Number | None = None
    shared_dirtied_blocks: Number | None = None
    shared_written_blocks: Number | None = None
    local_hit_blocks: Number | None = None
    local_read_blocks: Number | None = None
    local_dirtied_blocks: Number | None = None
    local_written_blocks: Number | None = None
    temp_read_blocks: Number | None = None
    temp_written_blocks: Number | None = None
    io_read_time: Number | None = None  # ms, up to 16
    io_write_time: Number | None = None
    shared_io_read_time: Number | None = None  # ms, from 17
    shared_io_write_time: Number | None = None
    local_io_read_time: Number | None = None
    local_io_write_time: Number | None = None
    temp_io_read_time: Number | None = None  # ms, from 15
    temp_io_write_time: Number | None = None


class SortSpace(ExplainPart):
    """Average and peak space of one kind of sort group, kB."""

    average_sort_space_used: Number | None = None
    peak_sort_space_used: Number | None = None


class SortGroups(ExplainPart):
    """How an incremental sort's groups of one kind were sorted."""

    group_count: Number | None = None
    sort_methods_used: tuple[Text, ...] | None = None
    sort_space_memory: SortSpace | None = None
    sort_space_disk: SortSpace | None = None


class Worker(Buffers):
    """One parallel worker's share of a node (VERBOSE): rows and times per loop of this worker."""

    worker_number: Number
    actual_startup_time: Number | None = None
    actual_total_time: Number | None = None
    actual_rows: Number | None = None
    actual_loops: Number | None = None
    sort_method: Text | None = None
    sort_space_used: Number | None = None  # kB
    sort_space_type: Text | None = None
    full_sort_groups: SortGroups | None = None
    pre_sorted_groups: SortGroups | None = None
    hashagg_batches: Number | None = None
    peak_memory_usage: Number | None = None  # kB
    disk_usage: Number | None = None  # kB
    cache_hits: Number | None = None
    cache_misses: Number | None = None
    cache_evictions: Number | None = None
    cache_overflows: Number | None = None
    exact_heap_blocks: Number | None = None  # from 18
    lossy_heap_blocks: Number | None = None  # from 18
    index_searches: Number | None = None
    wal_records: Number | None = None
    wal_fpi: Number | None = None
    wal_bytes: Number | None = None
    wal_buffers_full: Number | None = None


class PlanNode(Buffers):
    """What every plan node has. `plans` holds the children in PostgreSQL's order, InitPlans first."""

    node_type: Text
    parent_relationship: Text | None = None
    subplan_name: Text | None = None
    parallel_aware: Flag | None = None
    async_capable: Flag | None = None
    disabled: Flag | None = None  # from 18
    startup_cost: Number | None = None
    total_cost: Number | None = None
    plan_rows: Number | None = None
    plan_width: Signed | None = None  # bytes
    actual_startup_time: Number | None = None  # ms per loop
    actual_total_time: Number | None = None  # ms per loop
    actual_rows: Number | None = None  # per loop
    actual_loops: Number | None = None
    output: tuple[Text, ...] | None = None
    filter: Text | None = None
    rows_removed_by_filter: Number | None = None  # per loop
    wal_records: Number | None = None
    wal_fpi: Number | None = None
    wal_bytes: Number | None = None
    wal_buffers_full: Number | None = None
    workers: tuple[Worker, ...] | None = None
    plans: Annotated[tuple["PlanNode", ...], AsItIs()] = ()

    def to_explain(self) -> dict[str, Any]:
        """The node's own keys as PostgreSQL printed them; its children belong to the tree (`rebuild_plan`)."""
        own = super().to_explain()
        own.pop("Plans", None)
        return own

    @property
    def loops(self) -> float:
        """Executions, summed over workers; 0 if never executed or not analysed."""
        return self.actual_loops or 0
