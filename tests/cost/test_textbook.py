"""Orderings of join methods that every database textbook teaches, asked of the planner's arithmetic.

Source: R. Ramakrishnan, J. Gehrke, Database Management Systems (as in the open lecture slides of the University of
Washington, CSEP 544, autumn 1999 and spring 2004). Outer R: 1000 pages of 100 tuples; inner S: 500 pages of 80
tuples. The book counts pages, not planner cost, so only the orderings are compared, with pages made the only cost.
"""

from __future__ import annotations

import pytest

from rowreckon.cost import (
    CostSettings,
    HashJoinTerms,
    HashKey,
    IndexCondition,
    IndexShape,
    MergeJoinTerms,
    PathCost,
    RelationSize,
    cost_hashjoin,
    cost_index,
    cost_material,
    cost_mergejoin,
    cost_nestloop,
    cost_seqscan,
)

R = RelationSize(1000.0, 100_000.0)
S = RelationSize(500.0, 40_000.0)
WIDTH = 40


def pages_only(work_mem: float = 64.0) -> CostSettings:
    """Every page costs 1, every other thing next to nothing, and hardly anything is cached."""
    return CostSettings(
        random_page_cost=1.0,
        cpu_tuple_cost=1e-9,
        cpu_index_tuple_cost=1e-9,
        cpu_operator_cost=1e-9,
        work_mem=work_mem,
        effective_cache_size=1.0,
    )


def tuple_nested_loop(settings: CostSettings) -> PathCost:
    """The inner side read whole for every outer tuple."""
    return cost_nestloop(settings, cost_seqscan(settings, R, R.tuples, WIDTH), scan_s(settings), R.tuples)


def scan_s(settings: CostSettings) -> PathCost:
    return cost_seqscan(settings, S, S.tuples, WIDTH)


def index_nested_loop(settings: CostSettings, probes: float) -> PathCost:
    """One descent and one tuple of S for each of so many rows of R."""
    outer = cost_seqscan(settings, R, probes, WIDTH)
    index = IndexShape(150.0, S.tuples, 1, unique=True)
    condition = IndexCondition(1.0 / S.tuples, 1.0 / S.tuples, unique_match=True)
    inner = cost_index(settings, S, index, condition, 1.0, WIDTH, total_table_pages=1500.0, loop_count=probes)
    return cost_nestloop(settings, outer, inner, probes)


def hash_join(settings: CostSettings, probes: float = R.tuples) -> PathCost:
    """Built on S."""
    key = HashKey(S.tuples, rel_rows=S.tuples, rel_tuples=S.tuples)
    outer = cost_seqscan(settings, R, probes, WIDTH)
    return cost_hashjoin(settings, outer, scan_s(settings), probes, 80, HashJoinTerms(1.0 / S.tuples, (key,)))


def merge_join(settings: CostSettings) -> PathCost:
    """Both sides sorted first."""
    outer = cost_seqscan(settings, R, R.tuples, WIDTH)
    terms = MergeJoinTerms(1.0 / S.tuples, sort_outer=True, sort_inner=True)
    return cost_mergejoin(settings, outer, scan_s(settings), R.tuples, 80, terms)


def test_tuple_nested_loop_is_the_formula() -> None:
    """M + p_R·M·N = 50 001 000 page reads."""
    assert tuple_nested_loop(pages_only()).total_cost == pytest.approx(50_001_000, rel=1e-3)


def test_order_of_the_methods_when_every_row_is_probed() -> None:
    """Hash before sort-merge, sort-merge before index nested loop, and that before the tuple nested loop."""
    settings = pages_only(work_mem=1024.0)
    order = [
        hash_join(settings).total_cost,
        merge_join(settings).total_cost,
        index_nested_loop(settings, R.tuples).total_cost,
        tuple_nested_loop(settings).total_cost,
    ]
    assert order == sorted(order)


def test_hash_join_in_two_passes() -> None:
    """3(M + N) counts the read, the write and the second read of both sides' pages, wherever they are stored."""
    settings = pages_only()
    path = hash_join(settings)
    spilled = (R.tuples * 64 + S.tuples * 64) / 8192
    assert path.total_cost == pytest.approx(1500 + 2 * spilled, rel=1e-2)
    assert hash_join(pages_only(work_mem=65536.0)).total_cost == pytest.approx(1500, rel=1e-2)


def test_few_probes_favour_the_index() -> None:
    """Index nested loop wins while few rows are probed and loses when all are; the border is where the lines cross."""
    settings = pages_only()
    wins = [n for n in (10, 100, 500, 1000, 2000, 5000, 20_000, 100_000)
            if index_nested_loop(settings, float(n)).total_cost < hash_join(settings, float(n)).total_cost]  # fmt: skip
    assert wins == [10, 100, 500, 1000, 2000, 5000, 20_000, 100_000][: len(wins)]
    assert 10 in wins
    assert 100_000 not in wins


def test_more_memory_never_makes_a_join_dearer() -> None:
    """Sort-merge and hash join fall, or stay, as work_mem grows."""
    for join in (merge_join, hash_join):
        totals = [join(pages_only(work_mem=kb)).total_cost for kb in (64.0, 256.0, 1024.0, 4096.0, 65536.0)]
        assert totals == sorted(totals, reverse=True)


def test_materializing_spares_the_inner_scan() -> None:
    """A kept inner side that fits into memory is not read from the table again."""
    settings = pages_only(work_mem=65536.0)
    kept = cost_material(settings, scan_s(settings))
    outer = cost_seqscan(settings, R, 100.0, WIDTH)
    assert cost_nestloop(settings, outer, kept, 100.0).total_cost == pytest.approx(1500, rel=1e-2)
