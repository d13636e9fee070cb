"""What must hold for any input: costs are never negative, and grow where the planner's own formulas do.

No outside source: these are properties of formulas that the live tests compare with servers.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rowreckon import releases
from rowreckon.cost import (
    CostSettings,
    GroupRelation,
    HashJoinTerms,
    HashKey,
    IndexCondition,
    IndexShape,
    MergeJoinTerms,
    NestLoopTerms,
    PathCost,
    RelationSize,
    SemiAntiJoinFactors,
    amcostestimate,
    bitmap_index,
    compute_parallel_worker,
    cost_bitmap_heap_scan,
    cost_hashjoin,
    cost_index,
    cost_material,
    cost_memoize,
    cost_mergejoin,
    cost_nestloop,
    cost_seqscan,
    cost_sort,
    estimate_hash_bucket_stats,
    estimate_num_groups,
    hash_table_size,
    most_rows_in_one_batch,
    path_input,
)

majors = st.sampled_from(releases.MODELLED)
memory = st.sampled_from([64.0, 256.0, 4096.0, 65536.0])
rows = st.integers(1, 10**7).map(float)
widths = st.integers(0, 2000)
fractions = st.floats(0.0, 1.0)


@st.composite
def planner_settings(draw: st.DrawFn) -> CostSettings:
    """Settings that people really use."""
    return CostSettings(
        server_major=draw(majors),
        work_mem=draw(memory),
        random_page_cost=draw(st.sampled_from([1.0, 1.1, 2.0, 4.0])),
        effective_cache_size=draw(st.sampled_from([16.0, 1024.0, 524288.0])),
    )


@st.composite
def inputs(draw: st.DrawFn) -> PathCost:
    """One side of a join as it may stand in a plan."""
    startup, run = draw(st.floats(0.0, 1e5)), draw(st.floats(0.0, 1e6))
    kind = draw(st.sampled_from(["Seq Scan", "Index Scan", "Sort", "Materialize", "CTE Scan", "Function Scan"]))
    return path_input(CostSettings(), kind, startup, startup + run, draw(rows), draw(widths))


@st.composite
def factors(draw: st.DrawFn) -> SemiAntiJoinFactors | None:
    """None, or how a join fares that stops at the first match."""
    if draw(st.booleans()):
        return None
    return SemiAntiJoinFactors(draw(fractions), draw(st.floats(1.0, 1e6)))


def sane(path: PathCost) -> bool:
    """No negative cost, no total below its startup."""
    return path.startup_cost >= 0.0 and path.total_cost >= path.startup_cost and path.rescan_total_cost >= -1e-9


@given(planner_settings(), inputs(), inputs(), factors(), fractions, st.booleans())
def test_joins_never_cost_less_than_nothing(
    settings: CostSettings,
    outer: PathCost,
    inner: PathCost,
    stops: SemiAntiJoinFactors | None,
    selectivity: float,
    indexed: bool,
) -> None:
    """All three methods, for any two sides."""
    out = max(1.0, outer.rows * selectivity)
    key = HashKey(inner.rows, rel_rows=inner.rows, rel_tuples=inner.rows)
    assert sane(cost_nestloop(settings, outer, inner, out, terms=NestLoopTerms(factors=stops, indexed=indexed)))
    assert sane(cost_hashjoin(settings, outer, inner, out, 8, HashJoinTerms(selectivity, (key,), factors=stops)))
    for sort in (False, True):
        terms = MergeJoinTerms(selectivity, sort_outer=sort, sort_inner=sort)
        assert sane(cost_mergejoin(settings, outer, inner, out, 8, terms))


@given(planner_settings(), inputs(), inputs(), st.integers(1, 10**5), fractions)
def test_more_outer_rows_never_make_a_join_cheaper(
    settings: CostSettings, outer: PathCost, inner: PathCost, more: int, selectivity: float
) -> None:
    """With all else the same, the three methods grow with the outer rows."""
    larger = outer.with_rows(outer.rows + more)
    key = HashKey(inner.rows, rel_rows=inner.rows, rel_tuples=inner.rows)
    hashed = HashJoinTerms(selectivity, (key,))
    merged = MergeJoinTerms(selectivity, sort_outer=True, sort_inner=True)
    slack = 1.0 + 1e-9
    few, many = (cost_nestloop(settings, side, inner, 1.0) for side in (outer, larger))
    assert few.total_cost <= many.total_cost * slack
    few, many = (cost_hashjoin(settings, side, inner, 1.0, 8, hashed) for side in (outer, larger))
    assert few.total_cost <= many.total_cost * slack
    few, many = (cost_mergejoin(settings, side, inner, 1.0, 8, merged) for side in (outer, larger))
    assert few.total_cost <= many.total_cost * slack


@given(planner_settings(), inputs(), inputs())
def test_a_plain_nested_loop_is_a_straight_line(settings: CostSettings, outer: PathCost, inner: PathCost) -> None:
    """Equal steps in the outer rows cost equal amounts: the closed form of a switch point rests on it."""
    start = outer.with_rows(10.0)
    points = [cost_nestloop(settings, start.with_rows(n), inner, 1.0).total_cost for n in (10.0, 510.0, 1010.0)]
    assert points[2] - points[1] == pytest.approx(points[1] - points[0], rel=1e-6, abs=1e-3)


@given(st.integers(1000, 10**6), widths)
def test_a_hash_probe_is_a_straight_line(inner_rows: int, width: int) -> None:
    """While one batch holds the inner side, each outer row adds the same."""
    settings = CostSettings(work_mem=4 * 1024 * 1024.0)
    inner = path_input(settings, "Seq Scan", 0.0, 1000.0, float(inner_rows), width)
    key = HashKey(float(inner_rows), rel_rows=float(inner_rows), rel_tuples=float(inner_rows))
    terms = HashJoinTerms(1.0 / inner_rows, (key,))
    outer = path_input(settings, "Seq Scan", 0.0, 1000.0, 1.0, 8)
    # whole multiples of the inner rows, so that rounding the joined rows takes nothing away
    totals = [
        cost_hashjoin(settings, outer.with_rows(float(inner_rows * k)), inner, 1.0, 8, terms).total_cost
        for k in (1, 2, 3)
    ]
    assert totals[2] - totals[1] == pytest.approx(totals[1] - totals[0], rel=1e-9)


@given(planner_settings(), st.integers(1, 10**5), st.integers(1, 10**7), st.floats(1e-7, 1.0), st.integers(1, 10**5))
def test_index_and_bitmap_scans(
    settings: CostSettings, pages: int, tuples: int, selectivity: float, loops: int
) -> None:
    """Never negative, and repeated scans are never dearer each than one alone, but for the correlation's benefit."""
    relation = RelationSize(float(pages), float(tuples))
    index = IndexShape(max(1.0, tuples / 300.0), float(tuples), 2)
    condition = IndexCondition(selectivity, selectivity)
    size = float(pages)
    one = cost_index(settings, relation, index, condition, 1.0, total_table_pages=size)
    each = cost_index(settings, relation, index, condition, 1.0, loop_count=float(loops), total_table_pages=size)
    assert sane(one)
    assert sane(each)
    access = amcostestimate(settings, index, condition, relation_tuples=float(tuples), total_table_pages=size)
    heap = cost_bitmap_heap_scan(
        settings, relation, bitmap_index(settings, access, index, 1.0), 1.0, total_table_pages=size
    )
    assert sane(heap)
    if settings.effective_cache_size > 4.0 * (pages + index.pages):
        assert each.total_cost <= one.total_cost * (1.0 + 1e-9)


@given(planner_settings(), rows, widths, st.integers(0, 10**6))
def test_sorting_more_rows_costs_more(settings: CostSettings, few: float, width: int, more: int) -> None:
    """In memory and on disk alike."""
    small, large = (
        cost_sort(settings, path_input(settings, "Seq Scan", 0.0, 10.0, n, width)) for n in (few, few + more)
    )
    assert small.total_cost <= large.total_cost * (1.0 + 1e-9)
    assert sane(small)
    assert small.rescan_total_cost <= small.total_cost


@given(planner_settings(), inputs())
def test_reading_kept_rows_again_is_cheaper_than_keeping_them(settings: CostSettings, side: PathCost) -> None:
    """Otherwise Materialize would serve nobody."""
    kept = cost_material(settings, side)
    assert sane(kept)
    assert kept.rescan_total_cost <= kept.total_cost - side.total_cost + 1e-6 * (1.0 + kept.total_cost)


@given(planner_settings(), inputs(), st.integers(2, 10**6), st.floats(0.0001, 1.0))
def test_memoize(settings: CostSettings, side: PathCost, calls: int, share: float) -> None:
    """A rescan costs something, and at most the scan itself with the cache's upkeep."""
    distinct = max(1.0, float(int(calls * share)))
    path = cost_memoize(settings, side, calls=float(calls), ndistinct=distinct, key_width=4)
    upkeep = 2 * settings.cpu_tuple_cost + settings.cpu_operator_cost * (1.0 + 1.1 * side.rows)
    assert 0.0 < path.rescan_total_cost <= (side.total_cost + upkeep) * (1 + 1e-9)


@given(planner_settings(), rows, widths)
def test_hash_tables(settings: CostSettings, inner_rows: float, width: int) -> None:
    """Powers of two, and more rows never fit into fewer batches."""
    table = hash_table_size(settings, inner_rows, width)
    more = hash_table_size(settings, inner_rows * 2, width)
    for number in (table.num_buckets, table.num_batches):
        assert number & (number - 1) == 0
    assert table.num_batches <= more.num_batches


@given(planner_settings(), widths, st.none() | st.integers(1, 8))
def test_most_rows_in_one_batch(settings: CostSettings, width: int, workers: int | None) -> None:
    """The last row count without further batches is the one that the table's own planning turns at."""
    most = most_rows_in_one_batch(settings, width, combined_workers=workers)
    memory = settings.hash_mem_bytes * (1 if workers is None else workers + 1)
    if most > 1.0:
        # with a memory of less than a few rows each batch has one of its own, and 18 balances these away
        assert hash_table_size(settings, most, width, combined_workers=workers).num_batches == 1
    if memory >= 1024 * 1024:
        assert hash_table_size(settings, most + 1.0, width, combined_workers=workers).num_batches > 1


@given(st.floats(1.0, 1e7), fractions, fractions, rows, st.integers(0, 24))
def test_buckets(distinct: float, null_frac: float, mcv: float, tuples: float, exponent: int) -> None:
    """A bucket holds at least a millionth and at most all of the rows."""
    key = HashKey(distinct, null_frac, mcv, tuples / 2, tuples)
    size, frequency = estimate_hash_bucket_stats(key, float(2**exponent))
    assert 1e-6 <= size <= 1.0
    assert frequency == mcv


@given(st.lists(st.floats(1.0, 1e6), min_size=1, max_size=3), rows, fractions, rows)
def test_groups(distinct: list[float], tuples: float, share: float, input_rows: float) -> None:
    """Between one and the number of rows."""
    relation = GroupRelation(tuple(distinct), max(1.0, tuples * share), tuples)
    assert 1.0 <= estimate_num_groups([relation], input_rows) <= input_rows


@given(st.integers(0, 10**7), st.integers(0, 10**6), st.integers(0, 8))
def test_workers(heap_pages: int, index_pages: int, limit: int) -> None:
    """Never more than allowed, never fewer for a larger table."""
    planner = CostSettings(max_parallel_workers_per_gather=limit)
    workers = compute_parallel_worker(planner, float(heap_pages), None)
    assert 0 <= workers <= limit
    assert workers <= compute_parallel_worker(planner, heap_pages * 2.0, None)
    assert compute_parallel_worker(planner, float(heap_pages), float(index_pages)) <= workers


@settings(max_examples=20)
@given(planner_settings(), st.integers(1, 8))
def test_sharing_a_scan_never_makes_it_dearer(planner: CostSettings, workers: int) -> None:
    """CPU is shared, pages are not."""
    relation = RelationSize(1000.0, 1e5)
    whole = cost_seqscan(planner, relation, 1e5)
    part = cost_seqscan(planner, relation, 1e5, workers=workers)
    assert 1000.0 <= part.total_cost < whole.total_cost
    assert part.rows < whole.rows
