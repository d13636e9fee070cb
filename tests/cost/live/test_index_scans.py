"""B-tree index scans and bitmap scans: recomputed from the catalog, compared to the cent."""

from __future__ import annotations

import pytest

from rowreckon.cost import (
    IndexCondition,
    IndexShape,
    SkippedColumn,
    cost_index,
    cost_material,
    cost_nestloop,
    partial_index_tuples,
    skip_scan,
)
from rowreckon.cost.capabilities import caps_array_scans, has_skip_scan
from rowreckon.cost.units import clamp_row_est

from .facts import Facts, assert_cost, node, printed
from .histogram import scalarineqsel
from .indexes import bitmap_of, heap_of, scan_of


def test_unique_key(facts: Facts) -> None:
    """One tuple, one leaf page, one heap page."""
    settings = facts.use()
    path = scan_of(facts, settings, "dim", "dim_pkey", selectivity=1e-4, unique_match=True)
    assert_cost(path, facts.explain("select * from dim where id=77"), "0.29..8.30")
    assert path.total_cost == pytest.approx(8.3025)


def test_range_on_a_correlated_column(facts: Facts) -> None:
    """BETWEEN is two quals; in table order all heap pages but the first are sequential."""
    settings = facts.use(enable_bitmapscan="off", enable_seqscan="off")
    column = facts.ordered("fact", "id")
    low = scalarineqsel(column, 100, greater=True, inclusive=True)
    high = scalarineqsel(column, 3100, inclusive=True)
    path = scan_of(facts, settings, "fact", "fact_id", selectivity=low + high - 1.0, quals=2)
    plan = facts.explain("select * from fact where id between 100 and 3100")
    assert path.rows == plan["Plan Rows"]
    assert_cost(path, plan, "0.29..131.31")


def test_range_on_an_uncorrelated_column(facts: Facts) -> None:
    """Nearly a random page per tuple."""
    settings = facts.use(enable_bitmapscan="off", enable_seqscan="off")
    share = scalarineqsel(facts.ordered("fact", "dim_id"), 100)
    path = scan_of(facts, settings, "fact", "fact_dim", selectivity=share)
    plan = facts.explain("select * from fact where dim_id<100")
    assert path.rows == plan["Plan Rows"]
    assert_cost(path, plan, "0.29..1048.06")


def test_index_only_scan(facts: Facts) -> None:
    """All pages visible: no heap page at all."""
    settings = facts.use(enable_bitmapscan="off", enable_seqscan="off")
    share = scalarineqsel(facts.ordered("fact", "val"), 50)
    path = scan_of(facts, settings, "fact", "fact_val_id", selectivity=share, index_only=True)
    assert_cost(path, facts.explain("select val,id from fact where val<50"), "0.29..48.48")


def test_partly_visible_table(facts: Facts) -> None:
    """An index-only scan pays for the share of pages that are not all-visible."""
    settings = facts.use(enable_bitmapscan="off", enable_seqscan="off")
    facts.connection.execute("drop table if exists part")
    facts.connection.execute("create table part(id int, val int, pad text)")
    facts.connection.execute("insert into part select i, i%1000, repeat('p',40) from generate_series(1,30000) i")
    facts.connection.execute("create index part_val_id on part(val,id)")
    facts.connection.execute("vacuum analyze part")
    facts.connection.execute("update part set pad = repeat('u',40) where id % 300 = 7")
    facts.connection.execute("analyze part")
    visible = facts.relation("part", settings).allvisfrac
    share = scalarineqsel(facts.ordered("part", "val"), 50)
    path = scan_of(facts, settings, "part", "part_val_id", selectivity=share, index_only=True)
    assert 0.0 < visible < 1.0
    assert_cost(path, facts.explain("select val,id from part where val<50"))


def test_two_boundary_quals(facts: Facts) -> None:
    """Equality on the first column and a range on the second bound the scan together."""
    settings = facts.use(enable_bitmapscan="off", enable_seqscan="off")
    equal = 1.0 / 1000.0
    below = scalarineqsel(facts.ordered("fact", "id"), 15000)
    path = scan_of(facts, settings, "fact", "fact_val_id", selectivity=equal * below, quals=2)
    assert_cost(path, facts.explain("select * from fact where val=5 and id<15000"), "0.29..64.55")


@pytest.mark.parametrize(
    ("count", "before_17", "since"), [(4, "0.29..65.36", "0.29..65.36"), (60, "0.29..744.40", "0.29..641.25")]
)
def test_array_of_constants(facts: Facts, count: int, before_17: str, since: str) -> None:
    """A descent per constant; from 17 no more than a third of the index's pages."""
    settings = facts.use(enable_bitmapscan="off", enable_seqscan="off")
    constants = ",".join(str(i) for i in range(1, count + 1))
    path = scan_of(facts, settings, "fact", "fact_dim", selectivity=count / 10000.0, num_sa_scans=float(count))
    plan = facts.explain(f"select * from fact where dim_id in ({constants})")
    assert_cost(path, plan, since if caps_array_scans(facts.major) else before_17)


def test_qual_behind_a_missing_equality(facts: Facts) -> None:
    """Up to 17 the second column's qual does not bound the scan; 18 skips over the first column's values."""
    settings = facts.use(enable_bitmapscan="off", enable_seqscan="off")
    below = scalarineqsel(facts.ordered("fact", "val"), 50)
    both = below / 30000.0
    scans, bounds = 1.0, False
    if has_skip_scan(facts.major):
        scans, bounds = skip_scan(84.0, 1.0, [SkippedColumn(1000.0, below)])
        assert (scans, bounds) == (54.0, True)
    # an index on id alone would be taken instead
    with facts.connection.transaction(force_rollback=True):
        facts.connection.execute("drop index fact_id")
        plan = facts.explain("select * from fact where val<50 and id=5000")
        path = scan_of(
            facts, settings, "fact", "fact_val_id",
            selectivity=both, boundary=both if bounds else below, quals=2, num_sa_scans=scans, rows=1.0,
        )  # fmt: skip
    assert_cost(path, plan, "0.29..40.41" if facts.major < 18 else "0.29..108.34")


def test_skip_scan_over_few_values(facts: Facts) -> None:
    """Ten values of the leading column: eleven descents on 18, a whole index before."""
    settings = facts.use(enable_bitmapscan="off", enable_seqscan="off")
    equal = 1.0 / 30000.0
    scans, boundary = 1.0, 1.0
    if has_skip_scan(facts.major):
        scans, bounds = skip_scan(facts.index("ss_a_c").pages, 1.0, [SkippedColumn(10.0)])
        assert (scans, bounds) == (11.0, True)
        boundary = equal
    path = scan_of(facts, settings, "ss", "ss_a_c", selectivity=equal, boundary=boundary, num_sa_scans=scans)
    plan = facts.explain("select * from ss where c=5")
    assert_cost(path, plan, "0.29..565.30" if facts.major < 18 else "0.29..51.26")


def test_partial_index(facts: Facts) -> None:
    """A partial index has tuples of its own, by its own density."""
    settings = facts.use(enable_seqscan="off", enable_bitmapscan="off")
    facts.connection.execute("drop table if exists fp")
    facts.connection.execute("create table fp(id int, val int, pad text)")
    facts.connection.execute("insert into fp select i, i%1000, repeat('p',40) from generate_series(1,30000) i")
    facts.connection.execute("create index fp_part on fp(id) where val < 100")
    facts.connection.execute("vacuum analyze fp")
    plan = facts.explain("select * from fp where val < 100 and id < 3200")
    row = facts.connection.execute(
        "select pg_relation_size(oid)/8192, relpages, reltuples from pg_class where relname='fp_part'"
    ).fetchone()
    assert row is not None
    size = facts.relation("fp", settings)
    tuples = partial_index_tuples(
        current_pages=float(row[0]), relpages=float(row[1]), reltuples=float(row[2]), relation_tuples=size.tuples
    )
    shape = facts.index("fp_part")
    shape = IndexShape(shape.pages, tuples, shape.tree_height, correlation=shape.correlation)
    selectivity = scalarineqsel(facts.ordered("fp", "val"), 100) * scalarineqsel(facts.ordered("fp", "id"), 3200)
    path = cost_index(
        settings, size, shape, IndexCondition(selectivity, selectivity), plan["Plan Rows"], total_table_pages=size.pages
    )
    assert_cost(path, plan)


@pytest.mark.parametrize(
    ("table", "index", "loops", "worked"),
    [("fact", "fact_dim", 500.0, "0.29..3.32"), ("dim", "dim_pkey", 500.0, "0.29..0.98")],
)
def test_inner_index_scan(facts: Facts, table: str, index: str, loops: float, worked: str) -> None:
    """Repeated scans share the pages they find in the cache."""
    settings = facts.use(**facts.off("bitmapscan", "hashjoin", "mergejoin", "memoize"))
    key = "dim_id" if table == "fact" else "id"
    plan = facts.explain(f"select * from sm join {table} t on t.{key}=sm.k")
    path = scan_of(
        facts, settings, table, index,
        selectivity=1e-4, loop_count=loops, tables=("sm",), unique_match=table == "dim",
    )  # fmt: skip
    assert_cost(path, node(plan, "Index Scan"), worked)


def test_small_cache(facts: Facts) -> None:
    """A table larger than its share of the cache is read more than once."""
    settings = facts.use(effective_cache_size="640kB", **facts.off("bitmapscan", "hashjoin", "mergejoin", "memoize"))
    plan = facts.explain("select * from sm join fact on fact.dim_id=sm.k")
    inner = scan_of(facts, settings, "fact", "fact_dim", selectivity=1e-4, loop_count=500.0, tables=("sm",), width=53)
    assert_cost(inner, node(plan, "Index Scan"), "0.29..12.92")
    join = cost_nestloop(settings, facts.seqscan(settings, "sm"), inner, plan["Plan Rows"])
    assert_cost(join, plan, "0.29..6485.00")


def test_bitmap_scan(facts: Facts) -> None:
    """The price of a page falls with the share of pages read."""
    settings = facts.use()
    share = scalarineqsel(facts.ordered("fact", "dim_id"), 100)
    plan = facts.explain("select * from fact where dim_id<100")
    rows = clamp_row_est(share * 30000)
    index = bitmap_of(facts, settings, "fact", "fact_dim", selectivity=share, rows=rows)
    assert_cost(heap_of(facts, settings, "fact", index, rows), plan, "7.73..339.06")


def test_inner_bitmap_scan(facts: Facts) -> None:
    """Repeated bitmap scans share pages as index scans do."""
    settings = facts.use(**facts.off("hashjoin", "mergejoin", "indexscan", "memoize"))
    plan = facts.explain("select * from sm join fact on fact.dim_id=sm.k")
    index = bitmap_of(facts, settings, "fact", "fact_dim", selectivity=1e-4, rows=3.0, tables=("sm",), loop_count=500.0)
    heap = heap_of(facts, settings, "fact", index, 3.0, tables=("sm",), loop_count=500.0)
    assert_cost(heap, node(plan, "Bitmap Heap Scan"), "0.81..4.84")
    assert_cost(cost_nestloop(settings, facts.seqscan(settings, "sm"), heap, 1500.0), plan, "0.81..2445.12")


def test_lossy_bitmap(facts: Facts) -> None:
    """More pages than entries in work_mem: whole pages are rechecked."""
    facts.use()
    facts.connection.execute("drop table if exists wide")
    facts.connection.execute("create table wide(id int, g int, pad text)")
    facts.connection.execute(
        "insert into wide select i, (i::bigint*7919)%20000, repeat('w',600) from generate_series(1,20000) i"
    )
    facts.connection.execute("create index wide_g on wide(g)")
    facts.connection.execute("vacuum analyze wide")
    settings = facts.use(work_mem="64kB", enable_seqscan="off", enable_indexscan="off")
    plan = facts.explain("select * from wide where g < 8000")
    share = scalarineqsel(facts.ordered("wide", "g"), 8000)
    rows = clamp_row_est(share * 20000)
    assert rows == plan["Plan Rows"]
    index = bitmap_of(facts, settings, "wide", "wide_g", selectivity=share, rows=rows)
    assert_cost(heap_of(facts, settings, "wide", index, rows), plan)
    roomy = facts.use(enable_seqscan="off", enable_indexscan="off")
    exact = heap_of(facts, roomy, "wide", index, rows)
    assert exact.total_cost < plan["Total Cost"]


def test_parallel_bitmap_and_index_scan(facts: Facts) -> None:
    """Only the CPU part is shared."""
    settings = facts.use(
        max_parallel_workers_per_gather=2, parallel_setup_cost=0, parallel_tuple_cost=0,
        min_parallel_table_scan_size="0", min_parallel_index_scan_size="0", enable_seqscan="off",
    )  # fmt: skip
    plan = facts.explain("select * from fact where dim_id<3000")
    share = scalarineqsel(facts.ordered("fact", "dim_id"), 3000)
    rows = clamp_row_est(share * 30000)
    scan = node(plan, "Bitmap Heap Scan")
    index = bitmap_of(facts, settings, "fact", "fact_dim", selectivity=share, rows=rows)
    assert_cost(heap_of(facts, settings, "fact", index, rows, workers=node(plan, "Gather")["Workers Planned"]), scan)
    settings = facts.use(
        max_parallel_workers_per_gather=2, parallel_setup_cost=0, parallel_tuple_cost=0,
        min_parallel_table_scan_size="0", min_parallel_index_scan_size="0", enable_seqscan="off",
        enable_bitmapscan="off",
    )  # fmt: skip
    plan = facts.explain("select * from fact where id<15000")
    share = scalarineqsel(facts.ordered("fact", "id"), 15000)
    workers = node(plan, "Gather")["Workers Planned"]
    path = scan_of(facts, settings, "fact", "fact_id", selectivity=share, workers=workers)
    assert_cost(path, node(plan, "Index Scan"))


def test_rescan_of_a_materialized_scan(facts: Facts) -> None:
    """A nested loop pays for reading the kept rows again, half of what keeping them cost."""
    settings = facts.use()
    kept = cost_material(settings, facts.seqscan(settings, "sm"))
    assert (kept.rescan_startup_cost, kept.rescan_total_cost) == pytest.approx((0.0, 1.25))
    assert printed(facts.explain("select * from sm")).total == 8.0
