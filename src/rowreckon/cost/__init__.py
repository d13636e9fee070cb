"""PostgreSQL's planner arithmetic, releases 13 to 18, as pure functions on frozen values.

Every function takes a `CostSettings` and plain numbers (or a `PathCost` for each input) and gives a `PathCost`:
startup cost, total cost, rows per execution, width, and what a nested loop pays to execute it again. Nothing here
reads a plan, a catalog or a clock. Names, units and formulas are those of optimizer/path/costsize.c and
utils/adt/selfuncs.c; results agree with live servers to the cent where the inputs are true.

What varies while a switch point is sought (rows and costs of the two sides) is passed as paths; what stays the same
about a join (its clauses' costs, selectivities, statistics of its keys) is a `…Terms` value, made once.

settings      CostSettings (.from_explain, .from_pg_settings)
capabilities  one predicate per planner feature and release
path          PathCost, QualCost, FREE
rescan        path_input: a path read from a plan, with its rescan cost
relation      RelationSize, estimate_rel_size, partial_index_tuples
pages         index_pages_fetched (Mackert-Lohman)
quals         operator_cost
scans         cost_seqscan
index_scan    IndexShape, IndexCondition, SkippedColumn, skip_scan, amcostestimate, cost_index,
              heap_pages_for_workers
bitmap        bitmap_index, compute_bitmap_pages, cost_bitmap_heap_scan
sort          cost_sort
append        append_row_cost, cost_append, cost_merge_append, cost_parallel_append
materialize   cost_material
memoize       cost_memoize
nested_loop   NestLoopTerms, cost_nestloop
hash_table    hash_table_size, most_rows_in_one_batch
hash_join     HashJoinTerms, cost_hashjoin, join_hash_table
merge_join    MergeJoinTerms, cost_mergejoin, scan_fractions
gather        parallel_divisor, partial_rows, cost_gather, cost_gather_merge, compute_parallel_worker
fuzz          STD_FUZZ_FACTOR, fractional_cost
selectivity   ColumnStatistics, HashKey, SemiAntiJoinFactors, MergeScanSelectivity, eqjoinsel_inner, eqjoinsel_semi,
              compute_semi_anti_join_factors, estimate_num_groups, estimate_hash_bucket_stats,
              get_variable_numdistinct
"""

from rowreckon.cost.append import append_row_cost, cost_append, cost_merge_append, cost_parallel_append
from rowreckon.cost.bitmap import (
    BitmapCost,
    bitmap_index,
    compute_bitmap_pages,
    cost_bitmap_heap_scan,
)
from rowreckon.cost.fuzz import (
    STD_FUZZ_FACTOR,
    fractional_cost,
)
from rowreckon.cost.gather import (
    compute_parallel_worker,
    cost_gather,
    cost_gather_merge,
    gather_merge_rows,
    gather_rows,
    parallel_divisor,
    partial_rows,
)
from rowreckon.cost.hash_join import HashJoinTerms, cost_hashjoin, join_hash_table
from rowreckon.cost.hash_table import HashTableSize, hash_table_size, most_rows_in_one_batch
from rowreckon.cost.index_scan import (
    IndexAccessCost,
    IndexCondition,
    IndexShape,
    SkippedColumn,
    amcostestimate,
    cost_index,
    heap_pages_for_workers,
    skip_scan,
)
from rowreckon.cost.materialize import cost_material
from rowreckon.cost.memoize import cost_memoize
from rowreckon.cost.merge_join import (
    MergeJoinTerms,
    cost_mergejoin,
    scan_fractions,
)
from rowreckon.cost.nested_loop import NestLoopTerms, cost_nestloop
from rowreckon.cost.pages import index_pages_fetched
from rowreckon.cost.path import FREE, PathCost, QualCost
from rowreckon.cost.quals import operator_cost
from rowreckon.cost.relation import RelationSize, estimate_rel_size, partial_index_tuples
from rowreckon.cost.rescan import path_input
from rowreckon.cost.scans import (
    cost_seqscan,
)
from rowreckon.cost.selectivity import (
    WHOLE_SCAN,
    ColumnStatistics,
    GroupRelation,
    HashKey,
    MergeScanSelectivity,
    SemiAntiJoinFactors,
    compute_semi_anti_join_factors,
    eqjoinsel_inner,
    eqjoinsel_semi,
    estimate_hash_bucket_stats,
    estimate_num_groups,
    get_variable_numdistinct,
)
from rowreckon.cost.settings import CostSettings
from rowreckon.cost.sort import cost_sort

__all__ = [
    "FREE",
    "STD_FUZZ_FACTOR",
    "WHOLE_SCAN",
    "BitmapCost",
    "ColumnStatistics",
    "CostSettings",
    "GroupRelation",
    "HashJoinTerms",
    "HashKey",
    "HashTableSize",
    "IndexAccessCost",
    "IndexCondition",
    "IndexShape",
    "MergeJoinTerms",
    "MergeScanSelectivity",
    "NestLoopTerms",
    "PathCost",
    "QualCost",
    "RelationSize",
    "SemiAntiJoinFactors",
    "SkippedColumn",
    "amcostestimate",
    "append_row_cost",
    "bitmap_index",
    "compute_bitmap_pages",
    "compute_parallel_worker",
    "compute_semi_anti_join_factors",
    "cost_append",
    "cost_bitmap_heap_scan",
    "cost_gather",
    "cost_gather_merge",
    "cost_hashjoin",
    "cost_index",
    "cost_material",
    "cost_memoize",
    "cost_merge_append",
    "cost_mergejoin",
    "cost_nestloop",
    "cost_parallel_append",
    "cost_seqscan",
    "cost_sort",
    "eqjoinsel_inner",
    "eqjoinsel_semi",
    "estimate_hash_bucket_stats",
    "estimate_num_groups",
    "estimate_rel_size",
    "fractional_cost",
    "gather_merge_rows",
    "gather_rows",
    "get_variable_numdistinct",
    "hash_table_size",
    "heap_pages_for_workers",
    "index_pages_fetched",
    "join_hash_table",
    "most_rows_in_one_batch",
    "operator_cost",
    "parallel_divisor",
    "partial_index_tuples",
    "partial_rows",
    "path_input",
    "scan_fractions",
    "skip_scan",
]
