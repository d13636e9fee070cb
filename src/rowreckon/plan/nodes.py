"""Families of plan nodes, and which family a Node Type belongs to.

A family groups the nodes that carry the same keys. A Node Type without an entry in `FAMILIES` becomes an `OtherNode`:
kept, named, counted, never fatal.
"""

from rowreckon.plan.base import ExplainPart, PlanNode, SortGroups
from rowreckon.plan.keys import Flag, Number, Text


class ScanNode(PlanNode):
    """Reads one relation: Seq Scan, Sample Scan, Tid Scan, Tid Range Scan."""

    relation_name: Text | None = None
    schema_name: Text | None = None
    alias: Text | None = None
    tid_cond: Text | None = None
    sampling_method: Text | None = None
    sampling_parameters: tuple[Text, ...] | None = None
    repeatable_seed: Text | None = None


class IndexScanNode(ScanNode):
    """Reads one relation by an index: Index Scan, Index Only Scan."""

    scan_direction: Text | None = None
    index_name: Text | None = None
    index_cond: Text | None = None
    order_by: Text | None = None
    rows_removed_by_index_recheck: Number | None = None  # per loop
    heap_fetches: Number | None = None  # total
    index_searches: Number | None = None  # total, from 18


class BitmapIndexScanNode(PlanNode):
    """Collects row pointers of one index into a bitmap."""

    index_name: Text | None = None
    index_cond: Text | None = None
    index_searches: Number | None = None  # total, from 18


class BitmapHeapScanNode(ScanNode):
    """Reads the rows that a bitmap points to."""

    recheck_cond: Text | None = None
    rows_removed_by_index_recheck: Number | None = None  # per loop
    exact_heap_blocks: Number | None = None
    lossy_heap_blocks: Number | None = None


class BitmapCombineNode(PlanNode):
    """BitmapAnd, BitmapOr: the executor does not count rows here."""


class SubqueryScanNode(PlanNode):
    """Reads the output of a subquery."""

    alias: Text | None = None


class FunctionScanNode(PlanNode):
    """Reads a set-returning function or a table function (XMLTABLE, JSON_TABLE)."""

    alias: Text | None = None
    schema_name: Text | None = None
    function_name: Text | None = None
    function_call: Text | None = None
    table_function_name: Text | None = None
    table_function_call: Text | None = None
    storage: Text | None = None  # from 18
    maximum_storage: Number | None = None  # kB, from 18


class ValuesScanNode(PlanNode):
    """Reads a VALUES list."""

    alias: Text | None = None


class CteScanNode(PlanNode):
    """Reads a common table expression, a recursive query's work table, or a trigger's transition table."""

    alias: Text | None = None
    cte_name: Text | None = None
    tuplestore_name: Text | None = None
    storage: Text | None = None  # from 18
    maximum_storage: Number | None = None  # kB, from 18


class ForeignScanNode(ScanNode):
    """Reads a foreign table, a foreign join, or a custom scan; what the wrapper adds is kept as extras."""

    operation: Text | None = None
    remote_sql: Text | None = None
    relations: Text | None = None
    custom_plan_provider: Text | None = None


class JoinNode(PlanNode):
    """Nested Loop, Hash Join, Merge Join; rows removed are per loop."""

    join_type: Text | None = None
    inner_unique: Flag | None = None
    hash_cond: Text | None = None
    merge_cond: Text | None = None
    join_filter: Text | None = None
    rows_removed_by_join_filter: Number | None = None


class HashNode(PlanNode):
    """Builds the hash table of a hash join."""

    hash_buckets: Number | None = None
    original_hash_buckets: Number | None = None
    hash_batches: Number | None = None
    original_hash_batches: Number | None = None
    peak_memory_usage: Number | None = None  # kB


class SortNode(PlanNode):
    """Sorts its whole input before the first row comes out."""

    sort_key: tuple[Text, ...] | None = None
    sort_method: Text | None = None
    sort_space_used: Number | None = None  # kB
    sort_space_type: Text | None = None


class IncrementalSortNode(PlanNode):
    """Sorts group by group an input that is already sorted by a prefix of the key."""

    sort_key: tuple[Text, ...] | None = None
    presorted_key: tuple[Text, ...] | None = None
    full_sort_groups: SortGroups | None = None
    pre_sorted_groups: SortGroups | None = None


class MaterializeNode(PlanNode):
    """Keeps its input for repeated reading."""

    storage: Text | None = None  # from 18
    maximum_storage: Number | None = None  # kB, from 18


class MemoizeNode(PlanNode):
    """Caches the inner rows of a nested loop by parameter value; from 14."""

    cache_key: Text | None = None
    cache_mode: Text | None = None
    cache_hits: Number | None = None
    cache_misses: Number | None = None
    cache_evictions: Number | None = None
    cache_overflows: Number | None = None
    peak_memory_usage: Number | None = None  # kB
    estimated_capacity: Number | None = None
    estimated_distinct_lookup_keys: Number | None = None


class GroupingSet(ExplainPart):
    """One group of grouping sets that are computed together."""

    sort_key: tuple[Text, ...] | None = None
    group_keys: tuple[tuple[Text, ...], ...] | None = None
    hash_keys: tuple[tuple[Text, ...], ...] | None = None


class AggregateNode(PlanNode):
    """Aggregate (Plain, Sorted, Hashed, Mixed) and Group."""

    strategy: Text | None = None
    partial_mode: Text | None = None
    group_key: tuple[Text, ...] | None = None
    grouping_sets: tuple[GroupingSet, ...] | None = None
    planned_partitions: Number | None = None
    hashagg_batches: Number | None = None
    peak_memory_usage: Number | None = None  # kB
    disk_usage: Number | None = None  # kB


class WindowAggNode(PlanNode):
    """Computes window functions."""

    window: Text | None = None  # from 18
    run_condition: Text | None = None
    storage: Text | None = None  # from 18
    maximum_storage: Number | None = None  # kB, from 18


class SetOpNode(PlanNode):
    """INTERSECT or EXCEPT, with or without ALL."""

    strategy: Text | None = None
    command: Text | None = None


class LimitNode(PlanNode):
    """Stops its input early."""


class GatherNode(PlanNode):
    """Gather, Gather Merge: collects the rows of parallel workers."""

    workers_planned: Number | None = None
    workers_launched: Number | None = None
    single_copy: Flag | None = None
    params_evaluated: tuple[Text, ...] | None = None  # up to 16


class AppendNode(PlanNode):
    """Append, Merge Append; members that pruning removed at start-up are only counted."""

    subplans_removed: Number | None = None
    sort_key: tuple[Text, ...] | None = None


class RecursiveUnionNode(PlanNode):
    """The steps of a recursive query."""

    storage: Text | None = None  # from 18
    maximum_storage: Number | None = None  # kB, from 18


class TargetTable(ExplainPart):
    """One relation that a ModifyTable changes, where there are several or a foreign wrapper says more."""

    operation: Text | None = None
    relation_name: Text | None = None
    schema_name: Text | None = None
    alias: Text | None = None
    remote_sql: Text | None = None
    foreign_file: Text | None = None
    batch_size: Number | None = None


class ModifyTableNode(PlanNode):
    """INSERT, UPDATE, DELETE, MERGE; rows are counted only with RETURNING."""

    operation: Text | None = None
    relation_name: Text | None = None
    schema_name: Text | None = None
    alias: Text | None = None
    remote_sql: Text | None = None
    batch_size: Number | None = None
    conflict_resolution: Text | None = None
    conflict_arbiter_indexes: tuple[Text, ...] | None = None
    conflict_filter: Text | None = None
    rows_removed_by_conflict_filter: Number | None = None
    tuples_inserted: Number | None = None
    tuples_updated: Number | None = None
    tuples_deleted: Number | None = None
    tuples_skipped: Number | None = None
    conflicting_tuples: Number | None = None
    target_tables: tuple[TargetTable, ...] | None = None


class ResultNode(PlanNode):
    """Computes rows without reading a relation, or guards its input by a one-time condition."""

    one_time_filter: Text | None = None


class PassNode(PlanNode):
    """Hands rows on: Unique, LockRows, ProjectSet."""


class OtherNode(PlanNode):
    """A node type that this release does not know; kept with everything that it carried."""


FAMILIES: dict[str, type[PlanNode]] = {
    "Seq Scan": ScanNode,
    "Sample Scan": ScanNode,
    "Tid Scan": ScanNode,
    "Tid Range Scan": ScanNode,
    "Index Scan": IndexScanNode,
    "Index Only Scan": IndexScanNode,
    "Bitmap Index Scan": BitmapIndexScanNode,
    "Bitmap Heap Scan": BitmapHeapScanNode,
    "BitmapAnd": BitmapCombineNode,
    "BitmapOr": BitmapCombineNode,
    "Subquery Scan": SubqueryScanNode,
    "Function Scan": FunctionScanNode,
    "Table Function Scan": FunctionScanNode,
    "Values Scan": ValuesScanNode,
    "CTE Scan": CteScanNode,
    "WorkTable Scan": CteScanNode,
    "Named Tuplestore Scan": CteScanNode,
    "Foreign Scan": ForeignScanNode,
    "Custom Scan": ForeignScanNode,
    "Nested Loop": JoinNode,
    "Hash Join": JoinNode,
    "Merge Join": JoinNode,
    "Hash": HashNode,
    "Sort": SortNode,
    "Incremental Sort": IncrementalSortNode,
    "Materialize": MaterializeNode,
    "Memoize": MemoizeNode,
    "Aggregate": AggregateNode,
    "Group": AggregateNode,
    "WindowAgg": WindowAggNode,
    "Unique": PassNode,
    "LockRows": PassNode,
    "ProjectSet": PassNode,
    "SetOp": SetOpNode,
    "Limit": LimitNode,
    "Gather": GatherNode,
    "Gather Merge": GatherNode,
    "Append": AppendNode,
    "Merge Append": AppendNode,
    "Recursive Union": RecursiveUnionNode,
    "ModifyTable": ModifyTableNode,
    "Result": ResultNode,
}
