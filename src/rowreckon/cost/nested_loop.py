"""Nested loops.

Source: initial_cost_nestloop, final_cost_nestloop and has_indexed_join_quals in optimizer/path/costsize.c,
releases 13 to 18.
"""

from __future__ import annotations

from rowreckon.cost.path import FREE, PathCost, QualCost, made_path
from rowreckon.cost.selectivity import SemiAntiJoinFactors
from rowreckon.cost.settings import CostSettings
from rowreckon.cost.units import rint
from rowreckon.frozen import frozen


@frozen
class NestLoopTerms:
    """What of a nested loop stays the same while its input rows vary.

    `join_quals` is the cost, per pair of rows, of the join clauses that are evaluated at the join: all that the
    inner path does not enforce by its parameters. `factors` is given where the inner side stops at its first match
    (SEMI, ANTI and Inner Unique joins), else None. `indexed` says that the inner path is an index scan, or a bitmap
    scan of one index, whose quals enforce every join clause, so that an unmatched outer row costs next to nothing;
    a Memoize in between makes it false. A target list that computes is not modelled.
    """

    join_quals: QualCost = FREE
    factors: SemiAntiJoinFactors | None = None
    indexed: bool = False


NO_TERMS = NestLoopTerms()


def cost_nestloop(
    settings: CostSettings,
    outer: PathCost,
    inner: PathCost,
    rows: float,
    width: int = 0,
    terms: NestLoopTerms = NO_TERMS,
) -> PathCost:
    """Nested Loop of `outer` and `inner`; `rows` (per process) is what it puts out.

    `inner.rows` are rows per execution; its rescan cost is paid outer rows - 1 times. In a partial path `outer` is
    partial and `inner` is executed in full by every process.
    """
    outer_rows = outer.rows
    startup = outer.startup_cost + inner.startup_cost
    run = outer.total_cost - outer.startup_cost
    if outer_rows > 1.0:
        run += (outer_rows - 1.0) * inner.rescan_startup_cost
    inner_run = inner.total_cost - inner.startup_cost
    rescan_run = inner.rescan_total_cost - inner.rescan_startup_cost
    inner_rows = inner.rows if inner.rows > 0.0 else 1.0
    factors = terms.factors
    if factors is None:
        run += inner_run
        if outer_rows > 1.0:
            run += (outer_rows - 1.0) * rescan_run
        ntuples = (outer_rows if outer_rows > 0.0 else 1.0) * inner_rows
    else:
        matched = rint(outer_rows * factors.outer_match_frac)
        unmatched = outer_rows - matched
        scanned = 2.0 / (factors.match_count + 1.0)
        ntuples = matched * inner_rows * scanned
        if terms.indexed:
            run += inner_run * scanned
            if matched > 1.0:
                run += (matched - 1.0) * rescan_run * scanned
            run += unmatched * rescan_run / inner_rows
        else:
            ntuples += unmatched * inner_rows
            run += inner_run
            if unmatched >= 1.0:
                unmatched -= 1.0
            else:
                matched -= 1.0
            if matched > 0.0:
                run += matched * rescan_run * scanned
            if unmatched > 0.0:
                run += unmatched * rescan_run
    quals = terms.join_quals
    startup += quals.startup
    run += (settings.cpu_tuple_cost + quals.per_tuple) * ntuples
    disabled = outer.disabled_nodes + inner.disabled_nodes
    if not settings.enable_nestloop:
        startup += settings.disable_cost
        disabled += settings.disabled_node
    total = startup + run
    return made_path((startup, total, rows, width, startup, total, disabled, "Nested Loop"))
