"""Hash joins.

Source: initial_cost_hashjoin and final_cost_hashjoin in optimizer/path/costsize.c, estimate_hash_bucket_stats in
utils/adt/selfuncs.c; releases 13 to 18.
Not modelled: extended statistics on several keys, which 18 and later take the bucket size from; a target list that
computes; that the planner keeps the bucket size of a clause's first path and reuses it for paths of the same relation
with another number of buckets: here every path has its own.
"""

from __future__ import annotations

from rowreckon.cost.gather import parallel_divisor
from rowreckon.cost.hash_table import HashTableSize, hash_table_size
from rowreckon.cost.path import FREE, PathCost, QualCost, made_path
from rowreckon.cost.selectivity import HashKey, SemiAntiJoinFactors, estimate_hash_bucket_stats
from rowreckon.cost.settings import CostSettings
from rowreckon.cost.units import DISABLE_COST, clamp_row_est, page_size, relation_byte_size, rint
from rowreckon.frozen import frozen


@frozen
class HashJoinTerms:
    """What of a hash join stays the same while its input rows vary.

    `num_hashclauses` counts the hash clauses, `hash_quals` is their cost per pair of rows (None: cpu_operator_cost
    each), `join_quals` that of the other clauses per pair that hashed alike. `selectivity` is the product of the
    hash clauses' inner-join selectivities. `keys` are the inner keys' statistics, one per hash clause. `factors` is
    given for SEMI, ANTI and Inner Unique joins, with `anti` for ANTI. `unique_inner` says that the inner path was made
    unique so that a semijoin could be an inner join; such a join counts as Inner Unique with the semijoin's own
    factors. With `parallel_hash` all `workers` build one table; `workers` counts those of the outer path,
    `inner_workers` those of the inner where they differ.
    """

    selectivity: float
    keys: tuple[HashKey, ...] = ()
    num_hashclauses: int = 1
    hash_quals: QualCost | None = None
    join_quals: QualCost = FREE
    factors: SemiAntiJoinFactors | None = None
    anti: bool = False
    unique_inner: bool = False
    parallel_hash: bool = False
    workers: int = 0
    inner_workers: int = 0


def join_hash_table(settings: CostSettings, inner: PathCost, terms: HashJoinTerms) -> HashTableSize:
    """The hash table planned for this inner side."""
    if not terms.parallel_hash:
        return hash_table_size(settings, inner.rows, inner.width)
    total_rows = inner.rows * parallel_divisor(settings, terms.inner_workers or terms.workers)
    return hash_table_size(settings, total_rows, inner.width, combined_workers=terms.workers)


def cost_hashjoin(
    settings: CostSettings,
    outer: PathCost,
    inner: PathCost,
    rows: float,
    width: int,
    terms: HashJoinTerms,
    table: HashTableSize | None = None,
    keys: tuple[HashKey, ...] | None = None,
) -> PathCost:
    """Hash Join that builds on `inner` and probes with `outer`; `rows` (per process) is what it puts out.

    `table` spares working out the hash table again where the inner side is the same as before (`join_hash_table`);
    `keys` stand in for those of the terms where the inner relation's rows vary.

    The startup cost holds 1e10 on all releases where the inner side's most frequent value alone would not fit into
    hash_mem: the planner's way to avoid such a join.
    """
    operator = settings.cpu_operator_cost
    clauses = operator * terms.num_hashclauses
    outer_rows, inner_rows = outer.rows, inner.rows
    startup = outer.startup_cost + inner.total_cost
    startup += (clauses + settings.cpu_tuple_cost) * inner_rows
    run = outer.total_cost - outer.startup_cost + clauses * outer_rows
    if table is None:
        table = join_hash_table(settings, inner, terms)
    if table.num_batches > 1:
        inner_pages = page_size(inner_rows, inner.width)
        startup += settings.seq_page_cost * inner_pages
        run += settings.seq_page_cost * (inner_pages + 2.0 * page_size(outer_rows, outer.width))
    virtual_buckets = float(table.num_buckets) * table.num_batches
    bucket_size, mcv_freq = _bucket(terms, terms.keys if keys is None else keys, virtual_buckets)
    disabled = outer.disabled_nodes + inner.disabled_nodes
    if not settings.enable_hashjoin:
        startup += settings.disable_cost
        disabled += settings.disabled_node
    if relation_byte_size(clamp_row_est(inner_rows * mcv_freq), inner.width) > settings.hash_mem_bytes:
        startup += DISABLE_COST
    if terms.hash_quals is None:
        per_pair = clauses
    else:
        per_pair = terms.hash_quals.per_tuple
        startup += terms.hash_quals.startup
    factors = terms.factors
    if factors is None:
        run += per_pair * outer_rows * clamp_row_est(inner_rows * bucket_size) * 0.5
        joined = clamp_row_est(terms.selectivity * outer_rows * inner_rows)
    else:
        matched = rint(outer_rows * factors.outer_match_frac)
        scanned = 2.0 / (factors.match_count + 1.0)
        run += per_pair * matched * clamp_row_est(inner_rows * bucket_size * scanned) * 0.5
        run += per_pair * (outer_rows - matched) * clamp_row_est(inner_rows / virtual_buckets) * 0.05
        joined = outer_rows - matched if terms.anti else matched
    startup += terms.join_quals.startup
    run += (settings.cpu_tuple_cost + terms.join_quals.per_tuple) * joined
    total = startup + run
    if table.num_batches == 1:
        return made_path((startup, total, rows, width, 0.0, total - startup, disabled, "Hash Join"))
    return made_path((startup, total, rows, width, startup, total, disabled, "Hash Join"))


def _bucket(terms: HashJoinTerms, keys: tuple[HashKey, ...], virtual_buckets: float) -> tuple[float, float]:
    """Fraction of the inner rows in one bucket, and frequency of the most frequent key."""
    if terms.unique_inner:
        return 1.0 / virtual_buckets, 0.0
    bucket_size = mcv_freq = 1.0
    for key in keys:
        size, frequency = estimate_hash_bucket_stats(key, virtual_buckets)
        if bucket_size > size:
            bucket_size = size
        if mcv_freq > frequency:
            mcv_freq = frequency
    return bucket_size, mcv_freq
