"""The node that every family extends: identity, estimates, actuals, buffers, workers.

Units: costs in planner units; rows and times per loop, as PostgreSQL prints them (Actual Rows × Actual Loops is the
total); buffers in blocks and I/O times in ms, both cumulative over children and loops; widths in bytes. Keys that this
release does not know are kept as extras, under PostgreSQL's own names, and never dropped.

Annotations are real objects in this package, not strings: pydantic would evaluate each string again for each family.
"""

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict

from rowreckon.plan.keys import (
    AsItIs,
    MaybeFlag,
    MaybeLoops,
    MaybeNumber,
    MaybeSigned,
    MaybeText,
    Number,
    Text,
    explain_key,
)


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
    sort_methods_used: tuple[Text, ...] | None = None
    sort_space_memory: SortSpace | None = None
    sort_space_disk: SortSpace | None = None


class Worker(Buffers):
    """One parallel worker's share of a node (VERBOSE): rows and times per loop of this worker."""

    # Made at once: a deferred one is made anew within each family of nodes, as half of what the family takes.
    model_config = ConfigDict(defer_build=False)

    worker_number: Number
    actual_startup_time: MaybeNumber = None
    actual_total_time: MaybeNumber = None
    actual_rows: MaybeNumber = None
    actual_loops: MaybeLoops = None
    sort_method: MaybeText = None
    sort_space_used: MaybeNumber = None  # kB
    sort_space_type: MaybeText = None
    full_sort_groups: SortGroups | None = None
    pre_sorted_groups: SortGroups | None = None
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
    output: tuple[Text, ...] | None = None
    filter: MaybeText = None
    rows_removed_by_filter: MaybeNumber = None  # per loop
    wal_records: MaybeNumber = None
    wal_fpi: MaybeNumber = None
    wal_bytes: MaybeNumber = None
    wal_buffers_full: MaybeNumber = None
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
