"""The situations in which actual rows must not be compared with the estimate, each on a plan of a live server.

The tables are those of the worked plans in tests/cost/live; the situations are described in the PostgreSQL manual,
'Using EXPLAIN', section Caveats, and in the executor's sources (executor/node*.c). Estimates and actuals that a test
names were read from servers of 13 to 18, and the server confirms them in each run.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest

from rowreckon.counts import find_origins
from tests.cost.live.conftest import TABLES
from tests.counts.live import capture
from tests.servers.databases import fresh_database
from tests.servers.fixtures import Servers
from tests.servers.recorded import Replayed, recorded, servers_and_answers

Connection = psycopg.Connection[Any]

MORE_TABLES = """
create table part(a int, b int) partition by list (a);
create table part1 partition of part for values in (1);
create table part2 partition of part for values in (2);
create table part3 partition of part for values in (3);
insert into part select i%3+1, i from generate_series(1,3000) i;
create index ob_id on ob(id);
create table empty_one(id int);
create table upd(id int, k int);
insert into upd select i, i from generate_series(1,500) i;
create table dup(k int);
insert into dup select i%5 from generate_series(1,200) i;
"""
NO_PARALLEL = {"max_parallel_workers_per_gather": "0"}
PARALLEL = {
    "max_parallel_workers_per_gather": "2",
    "parallel_setup_cost": "0",
    "parallel_tuple_cost": "0",
    "min_parallel_table_scan_size": "8kB",
    "min_parallel_index_scan_size": "8kB",
}
LOOP = NO_PARALLEL | {"enable_hashjoin": "off", "enable_mergejoin": "off"}
MERGE = NO_PARALLEL | {"enable_hashjoin": "off", "enable_nestloop": "off"}
HASH = NO_PARALLEL | {"enable_mergejoin": "off", "enable_nestloop": "off"}


ANSWERS = Path(__file__).with_name("answers")
"""What the oldest and the newest server answered (`tests/servers/recorded.py`)."""


@pytest.fixture(scope="module", params=servers_and_answers(ANSWERS))
def connection(request: pytest.FixtureRequest) -> Iterator[Any]:
    if isinstance(request.param, Path):
        yield Replayed(request.param)
        return
    servers: Servers = request.getfixturevalue("servers")
    with fresh_database(servers(request.param).dsn) as dsn, psycopg.connect(dsn, autocommit=True) as made:
        made.execute(TABLES.encode())
        made.execute(MORE_TABLES.encode())
        made.execute(b"vacuum analyze")
        with recorded(made, ANSWERS) as connection:
            yield connection


def test_complete_scan_is_exact(connection: Connection) -> None:
    """A scan that runs to its end is exact, to the row."""
    count = capture(connection, "select * from fact", **NO_PARALLEL).count("Seq Scan")

    assert (count.state, count.actual_interval) == ("exact", (30_000.0, 30_000.0))
    assert (count.q_error, count.q_error_low, count.direction) == (1.0, 1.0, "even")


def test_limit_stops_everything_but_the_build_side(connection: Connection) -> None:
    """Below a LIMIT the join and its probe side are lower bounds; the hash table was built in full."""
    found = capture(connection, "select * from fact f join dim d on d.id = f.dim_id limit 5", **HASH)

    assert found.count("Hash Join").state == "at_least"
    assert found.count("Seq Scan", relation_name="fact").state == "at_least"
    assert found.count("Seq Scan", relation_name="fact").q_error is None
    assert found.count("Hash").state == "exact"
    assert found.count("Seq Scan", relation_name="dim").state == "exact"


def test_limit_that_was_not_reached_stops_nothing(connection: Connection) -> None:
    """A LIMIT above the number of rows lets its input end; PostgreSQL plans min(limit, input) rows."""
    found = capture(connection, "select * from dim where id <= 50 and pad <> 'x3' limit 5000", **NO_PARALLEL)

    assert found.reckoned.counts[1].state in ("exact", "at_least")
    unreached = capture(connection, "select * from skew where k = 77777 + v limit 100", **NO_PARALLEL)
    assert unreached.reckoned.counts[1].state == "exact"


def test_sort_below_a_limit_has_read_its_input(connection: Connection) -> None:
    """A sort reads everything before its first row, so only its own output is cut."""
    found = capture(connection, "select * from fact order by pad, id limit 3", **NO_PARALLEL)

    assert found.count("Sort").state == "at_least"
    assert found.count("Seq Scan").state == "exact"


def test_semi_join_stops_at_the_first_match(connection: Connection) -> None:
    """The inner side of a semi join's nested loop reads one row of three for each outer row."""
    sql = "select * from sm where exists (select from fact where fact.dim_id = sm.k)"
    found = (
        capture(connection, sql, **LOOP, enable_memoize="off")
        if _has_memoize(connection)
        else capture(connection, sql, **LOOP)
    )
    number, _, join = found.find("Nested Loop")
    inner = found.reckoned.tree.inner(number)
    assert inner is not None

    assert found.reckoned.tree.nodes[number].join_type == "Semi"  # type: ignore[attr-defined]
    assert found.reckoned.counts[inner].state == "at_least"
    assert found.reckoned.counts[inner].q_error is None
    assert join.state == "exact"


def _has_memoize(connection: Connection) -> bool:
    return connection.info.server_version >= 140000


def test_materialized_inner_of_an_anti_join_is_not_exhausted(connection: Connection) -> None:
    """Only unmatched outer rows read all of the inner side; neither it nor its child can be taken as complete."""
    sql = "select * from sm where not exists (select from dup where dup.k * 10 = sm.k)"
    found = capture(connection, sql, **LOOP)
    number, _, _ = found.find("Nested Loop")
    inner = found.reckoned.tree.inner(number)
    assert inner is not None

    assert found.reckoned.counts[inner].state == "at_least"
    assert all(found.reckoned.counts[n].state == "at_least" for n in found.reckoned.tree.subtree(inner))


def test_inner_unique_loop_over_an_index_is_exact(connection: Connection) -> None:
    """Where the inner index scan enforces the whole unique condition it holds one row at most: nothing is cut."""
    found = capture(connection, "select * from sm join dim on dim.id = sm.k", **LOOP, **_no_memoize(connection))
    number, _, _ = found.find("Nested Loop")
    inner = found.reckoned.tree.inner(number)
    assert inner is not None

    assert found.reckoned.tree.nodes[number].inner_unique is True  # type: ignore[attr-defined]
    assert found.reckoned.counts[inner].state == "exact"
    assert found.reckoned.counts[inner].actual_interval == (500.0, 500.0)


def _no_memoize(connection: Connection) -> dict[str, str]:
    return {"enable_memoize": "off"} if _has_memoize(connection) else {}


def test_inner_unique_loop_over_a_store_is_cut(connection: Connection) -> None:
    """An inner side that stops at the first match and holds more than that match is a lower bound, child included."""
    found = capture(
        connection,
        "select * from sm left join dim on dim.id = sm.k",
        **LOOP,
        enable_indexscan="off",
        enable_bitmapscan="off",
        enable_indexonlyscan="off",
    )
    number, node, _ = found.find("Nested Loop")
    inner = found.reckoned.tree.inner(number)
    assert inner is not None

    assert node.inner_unique is True  # type: ignore[attr-defined]
    assert all(found.reckoned.counts[n].state == "at_least" for n in found.reckoned.tree.subtree(inner))


def test_merge_join_leaves_a_tail_unread(connection: Connection) -> None:
    """A merge join ends with its shorter side: 5,001 of 10,000 index entries are no overestimate."""
    found = capture(connection, "select * from dim join sm on dim.id = sm.k", **MERGE, enable_sort="on")
    scan = found.count("Index Scan", relation_name="dim")

    assert scan.actual == 5001
    assert scan.state in ("at_least", "reread")
    assert scan.q_error is None


def test_mark_and_restore_delivers_rows_again(connection: Connection) -> None:
    """The inner sort of a merge over duplicates counts far more rows than it holds; its child tells the truth."""
    found = capture(connection, "select * from dim a join dim b on a.grp = b.grp", **MERGE, work_mem="16MB")
    number, _, _ = found.find("Merge Join")
    inner = found.reckoned.tree.inner(number)
    assert inner is not None
    below = found.reckoned.tree.inputs(inner)[0]

    assert found.reckoned.counts[inner].state == "reread"
    assert found.reckoned.counts[inner].actual == pytest.approx(1_999_801)
    assert found.reckoned.counts[inner].q_error is None
    assert found.reckoned.counts[below].state == "exact"
    entering = find_origins(found.reckoned).here[number]
    assert entering is not None  # what is below the sort explains the join's rows, as it was read once
    assert entering.factor < 1.1


def test_bitmap_combinations_are_not_counted(connection: Connection) -> None:
    """BitmapAnd and BitmapOr always show 0 rows, which is no actual."""
    bitmap = NO_PARALLEL | {"enable_seqscan": "off", "enable_indexscan": "off"}
    both = capture(connection, "select * from fact where dim_id < 500 and id < 3000", **bitmap)
    either = capture(connection, "select * from fact where dim_id < 50 or id < 300", **bitmap)

    assert both.count("BitmapAnd").state == "not_counted"
    assert both.count("BitmapAnd").actual is None
    assert either.count("BitmapOr").state == "not_counted"
    assert either.count("Bitmap Heap Scan").state == "exact"


def test_materialize_is_read_again_in_full(connection: Connection) -> None:
    """A plain loop over a store: 500 loops of 500 rows, filled once; both are exact and both are even."""
    found = capture(connection, "select * from sm a, sm b where a.k < b.id", **LOOP)
    number, _, store = found.find("Materialize")
    below = found.reckoned.tree.inputs(number)[0]

    assert (store.state, store.actual, store.q_error) == ("exact", 250_000, 1.0)
    assert (found.reckoned.counts[below].state, found.reckoned.counts[below].actual) == ("exact", 500)


def test_memoize_counts_misses_below_and_calls_above(connection: Connection) -> None:
    """Below a Memoize loops are cache misses; per-loop rows are compared, so neither node shows an error."""
    if not _has_memoize(connection):
        pytest.skip("Memoize exists from 14 on")
    found = capture(connection, "select * from fact join dim on dim.id = fact.val", **LOOP)
    number, node, cache = found.find("Memoize")
    below = found.reckoned.tree.inputs(number)[0]

    assert cache.loops == 30_000
    assert found.reckoned.counts[below].loops == node.cache_misses  # type: ignore[attr-defined]
    assert cache.q_error_low == found.reckoned.counts[below].q_error_low == 1.0


def test_exists_subplan_stops_at_its_first_row(connection: Connection) -> None:
    """A subquery that only has to exist is a lower bound."""
    sql = "select id, exists (select from fact where fact.dim_id = sm.k offset 0) from sm where id < 50"
    found = capture(connection, sql, **NO_PARALLEL)
    root = next(n for n, node in enumerate(found.reckoned.tree.nodes) if node.parent_relationship == "SubPlan")

    assert found.reckoned.counts[root].state == "at_least"


def test_scalar_aggregate_subplan_reads_everything(connection: Connection) -> None:
    """An aggregate has one row whoever asks, and has read all of its input."""
    sql = "select id, (select sum(val) from fact where fact.dim_id = sm.k) from sm where id < 5"
    found = capture(connection, sql, **NO_PARALLEL)
    number, _, count = found.find("Aggregate")

    assert count.state == "exact"
    assert found.reckoned.counts[found.reckoned.tree.inputs(number)[0]].state == "exact"


def test_pruned_members_make_no_error(connection: Connection) -> None:
    """Run-time pruning leaves members unexecuted: the Append's estimate was for all of them."""
    connection.execute(b"prepare one_part(int) as select * from part where a = $1 and b < 1000000")
    try:
        found = capture(connection, "execute one_part(1)", **NO_PARALLEL, plan_cache_mode="force_generic_plan")
        append = found.count("Append")
        assert append.q_error_low == 1.0
    finally:
        connection.execute(b"deallocate one_part")


def test_members_pruned_during_execution_did_not_run(connection: Connection) -> None:
    """Members that pruning skipped in every execution are `not_run`, and the Append is not misestimated for it."""
    sql = "select * from part where a = (select min(id) from sm) and b < 1000000"
    found = capture(connection, sql, **NO_PARALLEL)
    states = [found.reckoned.counts[n].state for n, x in enumerate(found.reckoned.tree.nodes) if _reads_part(x)]

    assert states.count("not_run") == 2
    assert states.count("exact") == 1


def _reads_part(node: object) -> bool:
    name = getattr(node, "relation_name", None)
    return isinstance(name, str) and name.startswith("part")


def test_modify_table_without_returning_is_not_counted(connection: Connection) -> None:
    """An UPDATE's own node counts nothing; with RETURNING it does. Its input counts always."""
    with connection.transaction(force_rollback=True):
        silent = capture(connection, "update upd set k = k where id < 100", **NO_PARALLEL)
    with connection.transaction(force_rollback=True):
        telling = capture(connection, "update upd set k = k where id < 100 returning id", **NO_PARALLEL)

    assert silent.count("ModifyTable").state == "not_counted"
    assert telling.count("ModifyTable").state == "exact"
    assert telling.count("ModifyTable").actual == 99
    assert silent.count("Seq Scan").state == "exact"


def test_hash_join_with_an_empty_build_side_stops_its_probe_side(connection: Connection) -> None:
    """One outer row is fetched ahead, then an empty hash table ends the join; a left join reads on."""
    inner = capture(connection, "select * from fact f join empty_one e on e.id = f.id", **HASH)
    left = capture(connection, "select * from fact f left join empty_one e on e.id = f.id", **HASH)

    probe = inner.count("Seq Scan", relation_name="fact")
    assert probe.state in ("at_least", "not_run")
    assert probe.q_error is None
    assert left.count("Seq Scan", relation_name="fact").state in ("exact", "not_run")


def test_never_executed_nodes_are_no_evidence(connection: Connection) -> None:
    """A node that never ran has no actual at all."""
    found = capture(connection, "select * from dim where false or (select count(*) from sm) < 0", **NO_PARALLEL)
    count = found.count("Seq Scan", relation_name="dim")

    assert count.state == "not_run"
    assert count.actual is None
    assert count.q_error is None


def test_cte_read_by_two_readers(connection: Connection) -> None:
    """A CTE is complete if any of its readers reads it to the end; the reader that stops is a lower bound."""
    sql = (
        "with c as materialized (select * from fact) "
        "select * from (select 1 from c limit 3) s, (select count(*) from c) t"
    )
    found = capture(connection, sql, **NO_PARALLEL)
    tree = found.reckoned.tree
    readers = [found.reckoned.counts[n].state for n, node in enumerate(tree.nodes) if node.node_type == "CTE Scan"]
    root = next(n for n, node in enumerate(tree.nodes) if (node.subplan_name or "").startswith("CTE"))

    assert sorted(readers) == ["at_least", "exact"]
    assert found.reckoned.counts[root].state == "exact"


def test_cte_read_in_part_only(connection: Connection) -> None:
    """Where every reader stops early, so did the CTE."""
    found = capture(connection, "with c as materialized (select * from fact) select * from c limit 3", **NO_PARALLEL)
    root = next(n for n, x in enumerate(found.reckoned.tree.nodes) if (x.subplan_name or "").startswith("CTE"))

    assert found.reckoned.counts[root].state == "at_least"


def test_recursive_union_is_counted_over_its_iterations(connection: Connection) -> None:
    """The recursive side runs once per iteration; totals are compared, and the union is no origin to divide by."""
    sql = "with recursive r(n) as (values (1) union all select n + 1 from r where n < 100) select * from r"
    found = capture(connection, sql, **NO_PARALLEL)

    assert found.count("Recursive Union").actual == 100
    work = found.count("WorkTable Scan")
    assert work.loops == 100
    assert work.state == "exact"


def test_parallel_rows_become_totals(connection: Connection) -> None:
    """Below a Gather estimates are divided and actuals averaged; as totals both stand for all 15,000 rows."""
    found = capture(
        connection, "select * from fact where val < 500", **PARALLEL, enable_indexscan="off", enable_bitmapscan="off"
    )
    gather = found.count("Gather")
    scan = found.count("Seq Scan")

    assert gather.actual == 15_000
    assert scan.actual_interval is not None
    assert scan.actual_interval.low <= 15_000 <= scan.actual_interval.high
    assert scan.estimate == pytest.approx(15_000, rel=0.001)
    assert scan.q_error_low == 1.0
    assert scan.workers == 2


def test_parallel_without_the_leader(connection: Connection) -> None:
    """Where the leader takes no part, the divisor is the number of workers."""
    from rowreckon.counts import reckon

    settings = PARALLEL | {
        "parallel_leader_participation": "off",
        "enable_indexscan": "off",
        "enable_bitmapscan": "off",
    }
    found = capture(connection, "select * from fact where val < 500", **settings)
    again = reckon(found.reckoned.tree, leader_takes_part=False)
    scan = next(n for n, node in enumerate(again.tree.nodes) if node.node_type == "Seq Scan")

    assert again.counts[scan].estimate == pytest.approx(15_000, rel=0.001)


def test_gather_of_partial_groups_is_no_misestimate(connection: Connection) -> None:
    """Each process sends its own groups: what a Gather over a partial aggregate prints is about processes."""
    found = capture(connection, "select count(*) from fact", **PARALLEL)

    assert found.count("Gather").q_error_low == 1.0
    assert found.count("Aggregate", partial_mode="Partial").q_error_low == 1.0


def test_gather_merge_rows_up_to_17_are_no_misestimate(connection: Connection) -> None:
    """Up to 17 a Gather Merge prints workers times one worker's rows, without the leader's share."""
    found = capture(
        connection,
        "select * from fact where val < 500 order by pad, id",
        **PARALLEL,
        enable_indexscan="off",
        enable_bitmapscan="off",
    )

    assert found.count("Gather Merge").actual == 15_000
    assert found.count("Gather Merge").q_error_low == 1.0
    assert all(e is None or e.factor == 1.0 for e in find_origins(found.reckoned).here)


def test_parameterised_inner_side_is_compared_per_loop(connection: Connection) -> None:
    """3 rows expected per loop and 3 came, 500 times: totals of 1,500 on both sides."""
    found = capture(connection, "select * from sm join fact on fact.dim_id = sm.k", **LOOP, **_no_memoize(connection))
    number, _, join = found.find("Nested Loop")
    inner = found.reckoned.tree.inner(number)
    assert inner is not None
    count = found.reckoned.counts[inner]

    assert (count.estimate, count.actual, count.q_error) == (1500, 1500, 1.0)
    assert (count.planned_loops, count.planned_rows) == (500, 1500)
    assert join.q_error == pytest.approx(1.0, abs=0.01)


def test_rounding_alone_never_makes_an_error(connection: Connection) -> None:
    """Up to 17 an average of half a row prints as 0 or 1: the total is an interval that holds the truth.

    The loop above counts 250 rows exactly, so the interval of the inner side is drawn in to it.
    """
    sql = "select * from generate_series(1, 500) g(i) join dim on dim.id = g.i * 2 and dim.id <= 500"
    found = capture(connection, sql, **LOOP, **_no_memoize(connection))
    number, _, _ = found.find("Nested Loop")
    inner = found.reckoned.tree.inner(number)
    assert inner is not None
    count = found.reckoned.counts[inner]

    assert count.actual_interval is not None
    assert count.actual_interval.low <= 250 <= count.actual_interval.high
    assert count.q_error_low is not None
    assert count.q_error_low < 3


def test_incremental_sort_below_a_limit(connection: Connection) -> None:
    """An incremental sort works group by group, so a LIMIT reaches through it."""
    found = capture(connection, "select * from fact order by val, pad limit 5", **NO_PARALLEL, enable_seqscan="off")
    number, _, count = found.find("Incremental Sort")

    assert count.state == "at_least"
    assert found.reckoned.counts[found.reckoned.tree.inputs(number)[0]].state == "at_least"


def test_empty_merge_input_cuts_the_other(connection: Connection) -> None:
    """A merge join with an empty side ends at once."""
    found = capture(connection, "select * from fact f join empty_one e on e.id = f.id", **MERGE)

    for name in ("fact", "empty_one"):
        for number, node in enumerate(found.reckoned.tree.nodes):
            if getattr(node, "relation_name", None) == name and node.node_type == "Index Scan":
                assert found.reckoned.counts[number].q_error is None


def test_bitmap_index_scan_counts_row_pointers(connection: Connection) -> None:
    """Dead entries count in the index and not in the table: the interval holds both readings."""
    with connection.transaction(force_rollback=True):
        connection.execute(b"update ob set k = k where id = 7")
        found = capture(
            connection, "select * from ob where id = 7", **NO_PARALLEL, enable_indexscan="off", enable_seqscan="off"
        )
    index = found.count("Bitmap Index Scan")

    assert found.count("Bitmap Heap Scan").actual == 1
    assert index.actual_interval is not None
    assert index.actual_interval.low <= 1 <= index.actual_interval.high
