"""The worked plans of PostgreSQL's documentation, from the inputs that it states.

Source: PostgreSQL Documentation, 'Using EXPLAIN' (release 18; release 15 where said), 'Index Cost Estimation
Functions', 'Row Estimation Examples'; H. Suzuki, The Internals of PostgreSQL, chapter 3. Costs are printed with two
decimals.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from rowreckon.cost import (
    ColumnStatistics,
    CostSettings,
    HashJoinTerms,
    HashKey,
    IndexCondition,
    IndexShape,
    NestLoopTerms,
    PathCost,
    RelationSize,
    amcostestimate,
    bitmap_index,
    cost_bitmap_heap_scan,
    cost_hashjoin,
    cost_index,
    cost_material,
    cost_nestloop,
    cost_seqscan,
    cost_sort,
    eqjoinsel_inner,
    fractional_cost,
    operator_cost,
    path_input,
)

SETTINGS = CostSettings(server_major=18)
TENK = RelationSize(345.0, 10000.0)
TENK_15 = RelationSize(358.0, 10000.0)
KEY = IndexShape(30.0, 10000.0, 1, unique=True, correlation=0.0)
ONE = operator_cost(SETTINGS)


def line(path: PathCost) -> str:
    """A path as EXPLAIN prints it."""
    return f"{path.startup_cost:.2f}..{path.total_cost:.2f}"


def close(path: PathCost, startup: float, total: float) -> bool:
    """Within the half cent that printing leaves open."""
    return abs(path.startup_cost - startup) <= 0.0051 and abs(path.total_cost - total) <= 0.0051


def tenk_bitmap(rows: float, *, out: float, quals: float, relation: RelationSize = TENK) -> PathCost:
    """Bitmap scan of tenk1 for the first `rows` keys."""
    access = amcostestimate(
        SETTINGS,
        KEY,
        IndexCondition(rows / 10000.0, rows / 10000.0),
        relation_tuples=10000.0,
        total_table_pages=relation.pages,
    )
    return cost_bitmap_heap_scan(
        SETTINGS,
        relation,
        bitmap_index(SETTINGS, access, KEY, out),
        out,
        244,
        total_table_pages=relation.pages,
        qual=operator_cost(SETTINGS, quals),
    )


def test_defaults() -> None:
    """'Planner Cost Constants' and 'Resource Consumption': the built-in defaults."""
    assert (SETTINGS.seq_page_cost, SETTINGS.random_page_cost) == (1.0, 4.0)
    assert (SETTINGS.cpu_tuple_cost, SETTINGS.cpu_index_tuple_cost, SETTINGS.cpu_operator_cost) == (0.01, 0.005, 0.0025)
    assert (SETTINGS.parallel_setup_cost, SETTINGS.parallel_tuple_cost) == (1000.0, 0.1)
    assert SETTINGS.effective_cache_size * 8192 == 4 * 1024**3
    assert SETTINGS.work_mem == 4096
    assert [CostSettings(server_major=v).hash_mem_multiplier for v in (13, 14, 15, 18)] == [1.0, 1.0, 2.0, 2.0]


def test_sequential_scans() -> None:
    """445.00 without a filter, 470.00 with one; 458.00 and 483.00 in release 15."""
    assert line(cost_seqscan(SETTINGS, TENK, 10000.0)) == "0.00..445.00"
    assert line(cost_seqscan(SETTINGS, TENK, 7000.0, qual=ONE)) == "0.00..470.00"
    assert line(cost_seqscan(SETTINGS, TENK_15, 10000.0)) == "0.00..458.00"
    assert line(cost_seqscan(SETTINGS, TENK_15, 7001.0, qual=ONE)) == "0.00..483.00"


def test_bitmap_scans() -> None:
    """unique1 < 100, alone and with a filter on a string."""
    assert close(tenk_bitmap(100.0, out=100.0, quals=1), 5.06, 224.98)
    assert close(tenk_bitmap(100.0, out=1.0, quals=2), 5.04, 225.20)
    assert close(tenk_bitmap(101.0, out=101.0, quals=1, relation=TENK_15), 5.07, 229.20)


def test_index_scan_of_a_unique_key() -> None:
    """unique1 = 42: 0.29..8.30; the same figures are explained in 'Index Cost Estimation Functions'."""
    path = cost_index(SETTINGS, TENK, KEY, IndexCondition(1e-4, 1e-4, unique_match=True), 1.0, total_table_pages=345.0)
    assert (path.startup_cost, path.total_cost) == pytest.approx((0.285, 8.3025))


def test_sorts() -> None:
    """All of tenk1 in memory; 100 rows above a hash join; onek in release 15."""
    settings = CostSettings(server_major=18, work_mem=65536.0)
    everything = path_input(settings, "Seq Scan", 0.0, 445.0, 10000.0, 244)
    assert line(cost_sort(settings, everything)) == "1109.39..1134.39"
    joined = path_input(settings, "Hash Join", 226.228, 709.728, 100.0, 488)
    assert close(cost_sort(settings, joined), 713.05, 713.30)
    onek = path_input(settings, "Seq Scan", 0.0, 148.0, 1000.0, 244)
    assert line(cost_sort(settings, onek)) == "197.83..200.33"


def test_nested_loop_with_an_index_inner() -> None:
    """Ten outer rows, each with an index scan of tenk2: 118.50 in all, 7.90 each."""
    outer = tenk_bitmap(10.0, out=10.0, quals=1)
    inner = cost_index(
        SETTINGS,
        TENK,
        KEY,
        IndexCondition(1e-4, 1e-4, unique_match=True),
        1.0,
        244,
        total_table_pages=2 * 345.0,
        loop_count=10.0,
    )
    assert inner.total_cost == pytest.approx(7.9025)
    path = cost_nestloop(SETTINGS, outer, inner, 10.0)
    assert path.total_cost == pytest.approx(118.50, abs=0.0051)


def test_nested_loop_with_a_materialized_inner() -> None:
    """Ten by ten rows and a join filter: Materialize 0.29..8.51, join 4.65..49.36."""
    outer = tenk_bitmap(10.0, out=10.0, quals=1)
    unique2 = replace(KEY, correlation=1.0)
    below = cost_index(SETTINGS, TENK, unique2, IndexCondition(10e-4, 10e-4), 10.0, 244, total_table_pages=690.0)
    assert close(below, 0.29, 8.46)
    inner = cost_material(SETTINGS, below)
    assert close(inner, 0.29, 8.51)
    path = cost_nestloop(SETTINGS, outer, inner, 33.0, terms=NestLoopTerms(ONE))
    assert path.total_cost == pytest.approx(49.36, abs=0.0051)


def test_hash_joins() -> None:
    """tenk2 probed against 100 rows of tenk1, and onek against the same."""
    inner = tenk_bitmap(100.0, out=100.0, quals=1)
    key = HashKey(10000.0, rel_rows=100.0, rel_tuples=10000.0)
    tenk2 = cost_seqscan(SETTINGS, TENK, 10000.0, 244)
    path = cost_hashjoin(SETTINGS, tenk2, inner, 100.0, 488, HashJoinTerms(1e-4, (key,)))
    assert (path.startup_cost, path.total_cost) == pytest.approx((226.23, 709.73), abs=0.0051)
    onek = path_input(SETTINGS, "Seq Scan", 0.0, 114.0, 1000.0, 244)
    path = cost_hashjoin(SETTINGS, onek, inner, 10.0, 488, HashJoinTerms(1e-4, (key,)))
    assert path.total_cost == pytest.approx(344.08, abs=0.0051)


def test_limit() -> None:
    """Two of ten rows of a scan that costs 0.29..70.27: 14.28."""
    scan = path_input(SETTINGS, "Index Scan", 0.29, 70.27, 10.0, 244)
    assert fractional_cost(scan, 0.2) == pytest.approx(14.28, abs=0.0101)


def test_row_estimation_example_of_a_join() -> None:
    """A join of two unique columns, one of them filtered to 50 rows."""
    unique1 = ColumnStatistics(10000.0, 10000.0, n_distinct=-1.0)
    joined = eqjoinsel_inner(unique1, ColumnStatistics(10000.0, 50.0, n_distinct=-1.0))
    assert joined * 50.0 * 10000.0 == pytest.approx(50.0)


def test_index_scan_step_by_step() -> None:
    """Suzuki: 240 of 10 000 rows in table order, selectivity 0.024: 0.285 + 4.2 + 9.0 = 13.485; sorted from 22.973."""
    table = RelationSize(45.0, 10000.0)
    index = IndexShape(30.0, 10000.0, 1, correlation=1.0)
    path = cost_index(SETTINGS, table, index, IndexCondition(0.024, 0.024), 240.0, 8, total_table_pages=45.0)
    assert path.startup_cost == pytest.approx(0.285)
    assert path.total_cost == pytest.approx(13.485)
    assert cost_sort(SETTINGS, path).startup_cost == pytest.approx(22.973, abs=0.001)


def test_joins_without_index() -> None:
    """Two tables of 10 000 rows on 45 pages: golden figures of live servers 13, 15, 17 and 18."""
    side = cost_seqscan(SETTINGS, RelationSize(45.0, 10000.0), 10000.0, 8)
    assert line(cost_sort(SETTINGS, side)) == "809.39..834.39"
    key = HashKey(10000.0, rel_rows=10000.0, rel_tuples=10000.0)
    assert line(cost_hashjoin(SETTINGS, side, side, 10000.0, 16, HashJoinTerms(1e-4, (key,)))) == "270.00..552.50"
    path = cost_nestloop(SETTINGS, side, cost_material(SETTINGS, side), 10000.0, terms=NestLoopTerms(ONE))
    assert path.total_cost == pytest.approx(1500315.0)
