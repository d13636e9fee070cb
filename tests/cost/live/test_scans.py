"""Sequential scans, sorts, Materialize and parallel nodes: recomputed from the catalog, compared to the cent."""

from __future__ import annotations

import pytest

from rowreckon.cost import (
    QualCost,
    compute_parallel_worker,
    cost_gather,
    cost_gather_merge,
    cost_material,
    cost_seqscan,
    cost_sort,
    estimate_rel_size,
    gather_merge_rows,
    operator_cost,
)
from rowreckon.cost.units import clamp_row_est

from .facts import Facts, assert_cost, node
from .histogram import scalarineqsel


def test_seqscan_with_filter_and_target_list(facts: Facts) -> None:
    """Two quals per tuple, one operator per row put out."""
    settings = facts.use(enable_indexscan="off", enable_bitmapscan="off", enable_indexonlyscan="off")
    fact = facts.relation("fact", settings)
    plan = facts.explain("select val+1 from fact where val<10 and id>5")
    path = cost_seqscan(
        settings, fact, plan["Plan Rows"], qual=operator_cost(settings, 2), target=operator_cost(settings, 1)
    )
    assert_cost(path, plan, "0.00..760.80")


def test_disabled_seqscan(facts: Facts) -> None:
    """Up to 17 a penalty of 1e10, from 18 a count."""
    settings = facts.use(enable_seqscan="off")
    plan = facts.explain("select * from sm")
    path = facts.seqscan(settings, "sm")
    assert_cost(path, plan, "10000000000.00..10000000008.00" if facts.major < 18 else "0.00..8.00")
    assert bool(path.disabled_nodes) == plan.get("Disabled", False)


@pytest.mark.parametrize(
    ("steps", "expected"),
    [
        ([], (1270, 1270, 1270)),
        (["insert into e1 values (1)"], (1270, 1270, 1270)),
        (["insert into e1 values (1)", "vacuum e1"], (1, 1, 1)),
        (["insert into e1 values (1)", "analyze e1", "truncate e1"], (1270, 1270, 1270)),
        (["analyze e1"], (1270, 1, 1)),
        (["alter table e1 set (fillfactor=50)"], (1270, 1270, 630)),
    ],
    ids=["empty", "one row", "vacuumed", "truncated", "analysed empty", "fillfactor"],
)
def test_size_of_a_small_table(facts: Facts, steps: list[str], expected: tuple[int, int, int]) -> None:
    """A table that was never analysed is taken to have ten pages of guessed density."""
    settings = facts.use()
    facts.connection.execute("drop table if exists e1")
    facts.connection.execute("create table e1(a int, t text)")
    for step in steps:
        facts.connection.execute(step.encode())
    pages, relpages, reltuples = facts.connection.execute(
        "select pg_relation_size(oid)/8192, relpages, reltuples from pg_class where oid = 'e1'::regclass"
    ).fetchone() or (0, 0, 0)
    size = estimate_rel_size(
        settings,
        current_pages=float(pages),
        relpages=float(relpages),
        reltuples=float(reltuples),
        relallvisible=0.0,
        width=36,
        fillfactor=50 if "fillfactor" in "".join(steps) else 100,
    )
    assert clamp_row_est(size.tuples) == facts.explain("select * from e1")["Plan Rows"]
    assert clamp_row_est(size.tuples) == expected[0 if facts.major == 13 else 1 if facts.major < 17 else 2]


def test_size_follows_the_file(facts: Facts) -> None:
    """A table that grew since ANALYZE: the old density times the pages of now."""
    settings = facts.use()
    facts.connection.execute("drop table if exists e2")
    facts.connection.execute("create table e2(a int, t text)")
    facts.connection.execute("insert into e2 select i, 'x' from generate_series(1,1000) i")
    facts.connection.execute("analyze e2")
    facts.connection.execute("insert into e2 select i, 'x' from generate_series(1,4000) i")
    size = facts.relation("e2", settings)
    assert size.tuples == facts.explain("select * from e2")["Plan Rows"]
    assert size.tuples > 4000


@pytest.mark.parametrize(
    ("work_mem", "limit", "worked"),
    [
        ("64MB", None, "2840.90..2915.90"),
        ("1MB", None, "3866.40..3941.40"),
        ("64kB", None, "5917.40..5992.40"),
        ("4MB", 10, "1258.29..1333.29"),
    ],
)
def test_sort(facts: Facts, work_mem: str, limit: int | None, worked: str) -> None:
    """In memory, on disk in one pass and in several, and bounded by a LIMIT."""
    settings = facts.use(work_mem=work_mem, enable_incremental_sort="off")
    tail = f" limit {limit}" if limit else ""
    plan = facts.explain(f"select * from fact order by pad{tail}")
    path = cost_sort(settings, facts.seqscan(settings, "fact"), float(limit or -1))
    assert_cost(path, node(plan, "Sort"), worked)


def test_materialize(facts: Facts) -> None:
    """Two operators per row to keep them."""
    settings = facts.use(enable_hashjoin="off", enable_mergejoin="off")
    plan = facts.explain("select * from sm a, sm b where a.k < b.id")
    assert_cost(cost_material(settings, facts.seqscan(settings, "sm")), node(plan, "Materialize"), "0.00..10.50")


def test_parallel_seqscan_and_gather(facts: Facts) -> None:
    """CPU is shared by two workers and the leader's 0.4, pages are not."""
    settings = facts.use(
        max_parallel_workers_per_gather=2, parallel_setup_cost=0, parallel_tuple_cost=0,
        min_parallel_table_scan_size="0", enable_indexscan="off", enable_bitmapscan="off", enable_indexonlyscan="off",
    )  # fmt: skip
    plan = facts.explain("select * from fact where val<10")
    fact = facts.relation("fact", settings)
    share = scalarineqsel(facts.ordered("fact", "val"), 10)
    rows = clamp_row_est(share * fact.tuples)
    path = cost_seqscan(settings, fact, rows, qual=operator_cost(settings), workers=2)
    assert_cost(path, node(plan, "Seq Scan"), "0.00..466.25")
    assert_cost(cost_gather(settings, path, rows), plan)
    assert path.rows == node(plan, "Seq Scan")["Plan Rows"]


@pytest.mark.parametrize("leader", ["on", "off"])
def test_parallel_leader(facts: Facts, leader: str) -> None:
    """Without the leader, two workers halve the rows."""
    settings = facts.use(
        max_parallel_workers_per_gather=2, parallel_setup_cost=0, parallel_tuple_cost=0,
        min_parallel_table_scan_size="0", parallel_leader_participation=leader,
    )  # fmt: skip
    plan = facts.explain("select * from big where c > 0 and b >= 0")
    fact = facts.relation("big", settings)
    rows = node(plan, "Gather")["Plan Rows"] if plan["Node Type"] == "Gather" else plan["Plan Rows"]
    path = cost_seqscan(settings, fact, rows, qual=operator_cost(settings, 2), workers=2)
    assert_cost(path, node(plan, "Seq Scan"))
    assert path.rows == node(plan, "Seq Scan")["Plan Rows"]


def test_gather_merge(facts: Facts) -> None:
    """A heap of three streams; the rows above a sort are understated up to 17."""
    settings = facts.use(
        max_parallel_workers_per_gather=2, parallel_setup_cost=10, parallel_tuple_cost=0.001,
        min_parallel_table_scan_size="0", enable_indexscan="off", enable_bitmapscan="off", enable_indexonlyscan="off",
    )  # fmt: skip
    plan = facts.explain("select * from fact where val < 500 order by pad")
    fact = facts.relation("fact", settings)
    rows = clamp_row_est(scalarineqsel(facts.ordered("fact", "val"), 500) * fact.tuples)
    scan = cost_seqscan(settings, fact, rows, facts.width("fact"), qual=operator_cost(settings), workers=2)
    sort = cost_sort(settings, scan)
    assert_cost(sort, node(plan, "Sort"))
    out = gather_merge_rows(settings, sort.rows, 2)
    assert_cost(
        cost_gather_merge(settings, sort, out, 2), plan, "870.33..1029.39" if facts.major < 18 else "870.33..1058.07"
    )
    assert out == plan["Plan Rows"]


@pytest.mark.parametrize(("pages", "workers"), [(8, 4), (128, 1), (1024, 0)])
def test_worker_count(facts: Facts, pages: int, workers: int) -> None:
    """One worker at the threshold, another for each tripling."""
    settings = facts.use(
        max_parallel_workers_per_gather=8, max_parallel_workers=8, parallel_setup_cost=0, parallel_tuple_cost=0,
        min_parallel_table_scan_size=pages, enable_indexscan="off", enable_bitmapscan="off", enable_indexonlyscan="off",
    )  # fmt: skip
    plan = facts.explain("select * from fact where val < 500")
    assert compute_parallel_worker(settings, facts.relation("fact", settings).pages, None) == workers
    assert plan.get("Workers Planned", 0) == workers


def test_qual_costs_follow_procost(facts: Facts) -> None:
    """A PL function costs a hundred operators as a default, as a filter too."""
    settings = facts.use()
    facts.connection.execute(
        "create or replace function same(int) returns int language plpgsql immutable as $$ begin return $1; end $$"
    )
    plan = facts.explain("select * from sm where same(id) = 3")
    call, comparison = operator_cost(settings, procost=100.0), operator_cost(settings)
    qual = QualCost(call.startup + comparison.startup, call.per_tuple + comparison.per_tuple)
    path = cost_seqscan(settings, facts.relation("sm", settings), plan["Plan Rows"], qual=qual)
    assert_cost(path, plan)
    assert qual == QualCost(0.0, 101 * settings.cpu_operator_cost)
