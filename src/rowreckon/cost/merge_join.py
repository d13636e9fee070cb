"""Merge joins.

Source: initial_cost_mergejoin and final_cost_mergejoin in optimizer/path/costsize.c, releases 13 to 18.
Not modelled: an incremental sort of the outer side, which 18 and later may take, and a target list that computes.
"""

from __future__ import annotations

from rowreckon.cost.path import FREE, MARK_RESTORE_KINDS, PathCost, QualCost
from rowreckon.cost.selectivity import WHOLE_SCAN, MergeScanSelectivity
from rowreckon.cost.settings import CostSettings
from rowreckon.cost.sort import cost_sort
from rowreckon.cost.units import clamp_row_est, relation_byte_size, rint
from rowreckon.frozen import frozen


@frozen
class MergeJoinTerms:
    """What of a merge join stays the same while its input rows vary.

    `selectivity` is the product of the merge clauses' inner-join selectivities, `merge_quals` their cost per pair
    of rows (None: cpu_operator_cost for each of `num_mergeclauses`), `join_quals` that of the other clauses. `scan`
    says which stretch of either input is read, the join type counted in (`scan_fractions`). `sort_outer` and
    `sort_inner` say that the side comes unsorted. `skip_mark_restore` holds for SEMI, ANTI and Inner Unique joins
    whose join clauses are all merge clauses; `unique_outer` where the outer path was made unique for a semijoin.
    """

    selectivity: float
    num_mergeclauses: int = 1
    merge_quals: QualCost | None = None
    join_quals: QualCost = FREE
    scan: MergeScanSelectivity = WHOLE_SCAN
    sort_outer: bool = False
    sort_inner: bool = False
    skip_mark_restore: bool = False
    unique_outer: bool = False


def scan_fractions(scan: MergeScanSelectivity, join_type: str) -> MergeScanSelectivity:
    """The stretch read of either side once the join type is counted in.

    `join_type` is EXPLAIN's ("Inner", "Left", "Right", "Full", "Semi", "Anti", "Right Anti"): a side whose
    unmatched rows come out is read from end to end.
    """
    if join_type == "Full":
        return WHOLE_SCAN
    if join_type in ("Left", "Anti"):
        return scan._replace(outer_start=0.0, outer_end=1.0)
    if join_type in ("Right", "Right Anti"):
        return scan._replace(inner_start=0.0, inner_end=1.0)
    return scan


def cost_mergejoin(
    settings: CostSettings,
    outer: PathCost,
    inner: PathCost,
    rows: float,
    width: int,
    terms: MergeJoinTerms,
    sorted_inner: PathCost | None = None,
) -> PathCost:
    """Merge Join of `outer` and `inner`, sorting either side first where the terms say so.

    `rows` (per process) is what it puts out. `sorted_inner` spares sorting the inner side again where it is the same as
    before.
    """
    outer_path_rows = outer.rows if outer.rows > 0.0 else 1.0
    inner_path_rows = inner.rows if inner.rows > 0.0 else 1.0
    scan = terms.scan
    outer_skip = rint(outer_path_rows * scan.outer_start)
    inner_skip = rint(inner_path_rows * scan.inner_start)
    outer_rows = clamp_row_est(outer_path_rows * scan.outer_end)
    inner_rows = clamp_row_est(inner_path_rows * scan.inner_end)
    outer_start, outer_end = outer_skip / outer_path_rows, outer_rows / outer_path_rows
    inner_start, inner_end = inner_skip / inner_path_rows, inner_rows / inner_path_rows
    if terms.sort_outer:
        outer = cost_sort(settings, outer)
    if sorted_inner is None:
        sorted_inner = cost_sort(settings, inner) if terms.sort_inner else inner
    outer_run = outer.total_cost - outer.startup_cost
    full_inner_run = sorted_inner.total_cost - sorted_inner.startup_cost
    startup = outer.startup_cost + outer_run * outer_start
    startup += sorted_inner.startup_cost + full_inner_run * inner_start
    run = outer_run * (outer_end - outer_start)
    inner_run = full_inner_run * (inner_end - inner_start)
    joined = clamp_row_est(terms.selectivity * outer_path_rows * inner_path_rows)
    if terms.unique_outer or terms.skip_mark_restore:
        rescan_ratio = 1.0
    else:
        rescan_ratio = 1.0 + max(joined - inner_path_rows, 0.0) / inner_rows
    bare = inner_run * rescan_ratio
    kept = inner_run + settings.cpu_operator_cost * inner_rows * rescan_ratio
    run += kept if _materializes(settings, inner, terms, kept < bare) else bare
    quals = terms.join_quals
    if terms.merge_quals is None:
        per_pair = settings.cpu_operator_cost * terms.num_mergeclauses
    else:
        per_pair = terms.merge_quals.per_tuple
        startup += terms.merge_quals.startup
    startup += quals.startup
    startup += per_pair * (outer_skip + inner_skip * rescan_ratio)
    run += per_pair * ((outer_rows - outer_skip) + (inner_rows - inner_skip) * rescan_ratio)
    run += (settings.cpu_tuple_cost + quals.per_tuple) * joined
    disabled = outer.disabled_nodes + sorted_inner.disabled_nodes
    if not settings.enable_mergejoin:
        startup += settings.disable_cost
        disabled += settings.disabled_node
    total = startup + run
    return PathCost(startup, total, rows, width, startup, total, disabled, "Merge Join")


def _materializes(settings: CostSettings, inner: PathCost, terms: MergeJoinTerms, cheaper: bool) -> bool:
    """Whether the inner side is kept in a tuplestore, for price, for want of mark/restore, or to spare a spill."""
    if terms.skip_mark_restore:
        return False
    if settings.enable_material and cheaper:
        return True
    if not terms.sort_inner:
        return inner.kind not in MARK_RESTORE_KINDS
    return settings.enable_material and (relation_byte_size(inner.rows, inner.width) > settings.work_mem_bytes)
