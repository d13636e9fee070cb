"""Families of plan nodes, and which family a Node Type belongs to.

A family groups the nodes that carry the same keys. A Node Type without an entry in `FAMILIES` becomes an `OtherNode`:
kept, named, counted, never fatal.

The families here only say which keys there are, and are what `isinstance` is asked about. pydantic's model of a family
takes longer to make than a plan takes to read, and most plans have nodes of a few families: see `model_of`.
"""

from functools import cache
from typing import TYPE_CHECKING, Any, cast

from pydantic import create_model

from rowreckon.plan.base import ExplainPart, PlanNode, SortGroups
from rowreckon.plan.keys import MaybeFlag, MaybeNumber, MaybeText, Text

if TYPE_CHECKING:
    Family = PlanNode  # what a node of a family is, once it was read
else:

    class Family:
        """What `model_of` joins with `PlanNode`."""


@cache
def model_of(family: type[PlanNode]) -> type[PlanNode]:
    """The model that reads nodes of a family, made when it is first asked for."""
    made: Any = create_model(family.__name__, __base__=(family, PlanNode), __module__=__name__)
    return cast("type[PlanNode]", made)


class ScanNode(Family):
    """Reads one relation: Seq Scan, Sample Scan, Tid Scan, Tid Range Scan."""

    relation_name: MaybeText = None
    schema_name: MaybeText = None
    alias: MaybeText = None
    tid_cond: MaybeText = None
    sampling_method: MaybeText = None
    sampling_parameters: tuple[Text, ...] | None = None
    repeatable_seed: MaybeText = None


class IndexScanNode(ScanNode):
    """Reads one relation by an index: Index Scan, Index Only Scan."""

    scan_direction: MaybeText = None
    index_name: MaybeText = None
    index_cond: MaybeText = None
    order_by: MaybeText = None
    rows_removed_by_index_recheck: MaybeNumber = None  # per loop
    heap_fetches: MaybeNumber = None  # total
    index_searches: MaybeNumber = None  # total, from 18


class BitmapIndexScanNode(Family):
    """Collects row pointers of one index into a bitmap."""

    index_name: MaybeText = None
    index_cond: MaybeText = None
    index_searches: MaybeNumber = None  # total, from 18


class BitmapHeapScanNode(ScanNode):
    """Reads the rows that a bitmap points to."""

    recheck_cond: MaybeText = None
    rows_removed_by_index_recheck: MaybeNumber = None  # per loop
    exact_heap_blocks: MaybeNumber = None
    lossy_heap_blocks: MaybeNumber = None


class BitmapCombineNode(Family):
    """BitmapAnd, BitmapOr: the executor does not count rows here."""


class SubqueryScanNode(Family):
    """Reads the output of a subquery."""

    alias: MaybeText = None


class FunctionScanNode(Family):
    """Reads a set-returning function or a table function (XMLTABLE, JSON_TABLE)."""

    alias: MaybeText = None
    schema_name: MaybeText = None
    function_name: MaybeText = None
    function_call: MaybeText = None
    table_function_name: MaybeText = None
    table_function_call: MaybeText = None
    storage: MaybeText = None  # from 18
    maximum_storage: MaybeNumber = None  # kB, from 18


class ValuesScanNode(Family):
    """Reads a VALUES list."""

    alias: MaybeText = None


class CteScanNode(Family):
    """Reads a common table expression, a recursive query's work table, or a trigger's transition table."""

    alias: MaybeText = None
    cte_name: MaybeText = None
    tuplestore_name: MaybeText = None
    storage: MaybeText = None  # from 18
    maximum_storage: MaybeNumber = None  # kB, from 18


class ForeignScanNode(ScanNode):
    """Reads a foreign table, a foreign join, or a custom scan; what the wrapper adds is kept as extras."""

    operation: MaybeText = None
    remote_sql: MaybeText = None
    relations: MaybeText = None
    custom_plan_provider: MaybeText = None


class JoinNode(Family):
    """Nested Loop, Hash Join, Merge Join; rows removed are per loop."""

    join_type: MaybeText = None
    inner_unique: MaybeFlag = None
    hash_cond: MaybeText = None
    merge_cond: MaybeText = None
    join_filter: MaybeText = None
    rows_removed_by_join_filter: MaybeNumber = None


class HashNode(Family):
    """Builds the hash table of a hash join."""

    hash_buckets: MaybeNumber = None
    original_hash_buckets: MaybeNumber = None
    hash_batches: MaybeNumber = None
    original_hash_batches: MaybeNumber = None
    peak_memory_usage: MaybeNumber = None  # kB


class SortNode(Family):
    """Sorts its whole input before the first row comes out."""

    sort_key: tuple[Text, ...] | None = None
    sort_method: MaybeText = None
    sort_space_used: MaybeNumber = None  # kB
    sort_space_type: MaybeText = None


class IncrementalSortNode(Family):
    """Sorts group by group an input that is already sorted by a prefix of the key."""

    sort_key: tuple[Text, ...] | None = None
    presorted_key: tuple[Text, ...] | None = None
    full_sort_groups: SortGroups | None = None
    pre_sorted_groups: SortGroups | None = None


class MaterializeNode(Family):
    """Keeps its input for repeated reading."""

    storage: MaybeText = None  # from 18
    maximum_storage: MaybeNumber = None  # kB, from 18


class MemoizeNode(Family):
    """Caches the inner rows of a nested loop by parameter value; from 14."""

    cache_key: MaybeText = None
    cache_mode: MaybeText = None
    cache_hits: MaybeNumber = None
    cache_misses: MaybeNumber = None
    cache_evictions: MaybeNumber = None
    cache_overflows: MaybeNumber = None
    peak_memory_usage: MaybeNumber = None  # kB
    estimated_capacity: MaybeNumber = None
    estimated_distinct_lookup_keys: MaybeNumber = None


class GroupingSet(ExplainPart):
    """One group of grouping sets that are computed together."""

    sort_key: tuple[Text, ...] | None = None
    group_keys: tuple[tuple[Text, ...], ...] | None = None
    hash_keys: tuple[tuple[Text, ...], ...] | None = None


class AggregateNode(Family):
    """Aggregate (Plain, Sorted, Hashed, Mixed) and Group."""

    strategy: MaybeText = None
    partial_mode: MaybeText = None
    group_key: tuple[Text, ...] | None = None
    grouping_sets: tuple[GroupingSet, ...] | None = None
    planned_partitions: MaybeNumber = None
    hashagg_batches: MaybeNumber = None
    peak_memory_usage: MaybeNumber = None  # kB
    disk_usage: MaybeNumber = None  # kB


class WindowAggNode(Family):
    """Computes window functions."""

    window: MaybeText = None  # from 18
    run_condition: MaybeText = None
    storage: MaybeText = None  # from 18
    maximum_storage: MaybeNumber = None  # kB, from 18


class SetOpNode(Family):
    """INTERSECT or EXCEPT, with or without ALL."""

    strategy: MaybeText = None
    command: MaybeText = None


class LimitNode(Family):
    """Stops its input early."""


class GatherNode(Family):
    """Gather, Gather Merge: collects the rows of parallel workers."""

    workers_planned: MaybeNumber = None
    workers_launched: MaybeNumber = None
    single_copy: MaybeFlag = None
    params_evaluated: tuple[Text, ...] | None = None  # up to 16


class AppendNode(Family):
    """Append, Merge Append; members that pruning removed at start-up are only counted."""

    subplans_removed: MaybeNumber = None
    sort_key: tuple[Text, ...] | None = None


class RecursiveUnionNode(Family):
    """The steps of a recursive query."""

    storage: MaybeText = None  # from 18
    maximum_storage: MaybeNumber = None  # kB, from 18


class TargetTable(ExplainPart):
    """One relation that a ModifyTable changes, where there are several or a foreign wrapper says more."""

    operation: MaybeText = None
    relation_name: MaybeText = None
    schema_name: MaybeText = None
    alias: MaybeText = None
    remote_sql: MaybeText = None
    foreign_file: MaybeText = None
    batch_size: MaybeNumber = None


class ModifyTableNode(Family):
    """INSERT, UPDATE, DELETE, MERGE; rows are counted only with RETURNING."""

    operation: MaybeText = None
    relation_name: MaybeText = None
    schema_name: MaybeText = None
    alias: MaybeText = None
    remote_sql: MaybeText = None
    batch_size: MaybeNumber = None
    conflict_resolution: MaybeText = None
    conflict_arbiter_indexes: tuple[Text, ...] | None = None
    conflict_filter: MaybeText = None
    rows_removed_by_conflict_filter: MaybeNumber = None
    tuples_inserted: MaybeNumber = None
    tuples_updated: MaybeNumber = None
    tuples_deleted: MaybeNumber = None
    tuples_skipped: MaybeNumber = None
    conflicting_tuples: MaybeNumber = None
    target_tables: tuple[TargetTable, ...] | None = None


class ResultNode(Family):
    """Computes rows without reading a relation, or guards its input by a one-time condition."""

    one_time_filter: MaybeText = None


class PassNode(Family):
    """Hands rows on: Unique, LockRows, ProjectSet."""


class OtherNode(Family):
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
