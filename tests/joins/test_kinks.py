"""Leads that last for a few rows only, where a cost steps up or begins to fall: each border against the live planner.

The live planner is asked along the outer rows with a literal; every change of its method has to be a switch point, and
every switch point within reach a change of its method.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import psycopg
import pytest

from rowreckon.counts.parallel import find_parallelism
from rowreckon.joins.facts.sides import METHODS
from rowreckon.plan import lay_out
from tests.servers.databases import run_script
from tests.servers.fixtures import MatrixServer

from .live import SERIAL, Connection, apply, capture, explain, judge

GUESTS = 20_000
TABLES = f"""
create table guest(id int, room numeric, bed int, week int, season int, wave int, tide int, pad text);
insert into guest select g, (g::bigint * 104729) % 20000 + 1, (g::bigint * 7919) % 3000 + 1, w, w, w, w, repeat('g', 20)
  from (select g, g % 200 as w from generate_series(1, {GUESTS}) g) s;
create table visit(room numeric, v int, pad text);
insert into visit select (g::bigint * 7919) % 30000 + 1, g % 1000, repeat('v', 40) from generate_series(1, 60000) g;
create index visit_room on visit(room);
create table bed(id int, pad text);
insert into bed select g, repeat('b', 40) from generate_series(1, 200000) g;
create unique index bed_id on bed(id);
"""
SPILLING = "select g.id, v.v, v.pad from guest g join visit v on v.room = g.room where g.id <= {n}"
REPEATING = "select g.id, b.pad from guest g join bed b on b.id = g.bed where g.id <= {n}"
IN_PARALLEL = {
    "max_parallel_workers_per_gather": "2",
    "min_parallel_table_scan_size": "0",
    "min_parallel_index_scan_size": "0",
    "parallel_setup_cost": "0",
    "parallel_tuple_cost": "0",
    "jit": "off",
}


@pytest.fixture(scope="module")
def connection(matrix_database: MatrixServer) -> Iterator[Connection]:
    """A session on a database with guests, their visits and beds."""
    run_script(matrix_database.dsn, TABLES)
    with psycopg.connect(matrix_database.dsn, autocommit=True) as session:
        for table in ("guest", "visit", "bed"):
            session.execute(f"vacuum analyze {table}".encode())
        yield session


def _taken(connection: Connection, query: str, rows: int) -> str:
    plan = lay_out(explain(connection, query.format(n=rows)).plan)
    (join,) = plan.joins()
    return METHODS[plan.nodes[join].node_type] + ("|p" if find_parallelism(plan).partial[join] else "")


@pytest.mark.oldest_and_newest
@pytest.mark.parametrize("page_cost", ["1.1", "2", "4"])
@pytest.mark.parametrize("work_mem", ["64kB", "256kB", "1MB"])
@pytest.mark.parametrize("query", [SPILLING, REPEATING], ids=["spilling", "repeating"])
def test_every_change_of_the_live_planner(connection: Connection, query: str, work_mem: str, page_cost: str) -> None:
    """Row counts a tenth apart, from 1 to all: the changes of the method, in their order, are the switch points."""
    settings = {**SERIAL, "work_mem": work_mem, "random_page_cost": page_cost}
    (join,) = judge(capture(connection, query.format(n=10), settings=settings))
    points = [p for p in join.switch_points if p.inner_at == "estimate" and (p.outer_rows or 0.0) <= GUESTS]

    with connection.transaction(force_rollback=True):
        apply(connection, settings)
        rows = sorted({1, GUESTS, *(int(1.1**k) for k in range(1, 104))})
        seen = [_taken(connection, query, n) for n in rows]
        changes = [(a, b) for a, b in pairwise(seen) if a != b]
        confirmed = [_changes_near(connection, query, p.from_, p.to, p.outer_rows or 0.0) for p in points]

    assert all(confirmed), [(p.from_, p.to, p.outer_rows) for p in points]
    assert set(changes) <= {(p.from_, p.to) for p in points}


def _changes_near(connection: Connection, query: str, below: str, above: str, rows: float) -> bool:
    """Whether the live planner changes so within two hundredths."""
    step = max(int(rows / 2000.0), 1)
    near = range(max(int(rows * 0.98) - 1, 1), int(rows * 1.02) + 1 + step, step)
    return (below, above) in set(pairwise(_taken(connection, query, n) for n in near))


def test_executions_below_a_gather(connection: Connection) -> None:
    """The planner reckons with the relation's rows, of which the plan prints a process's share in whole rows.

    From an estimate of 2 rows, printed as 1 for each process of 2.4, the model goes to 2,000: to what the live planner
    asks for a nested loop once it expects as many.
    """
    query = "select g.id, v.v from guest g join visit v on v.room = g.room where g.week < 20 and {0} and {1} and {2}"
    settings = {**IN_PARALLEL, "enable_hashjoin": "off", "enable_mergejoin": "off"}
    if connection.info.server_version >= 140000:
        settings["enable_memoize"] = "off"
    wrong = query.format("g.season < 20", "g.wave < 20", "g.tide < 20")
    right = query.format("g.season >= -1", "g.wave >= -1", "g.tide >= -1")
    (join,) = judge(capture(connection, wrong, settings=settings))
    assert (join.outer.estimated_rows, join.outer.actual_rows) == (pytest.approx(2.4), pytest.approx(2000, abs=2))

    with connection.transaction(force_rollback=True):
        apply(connection, settings)
        plan = lay_out(explain(connection, right).plan)
    (number,) = plan.joins()
    assert find_parallelism(plan).partial[number]
    assert join.costs["nested_loop"].at_actual == pytest.approx(float(plan.nodes[number].total_cost or 0.0), rel=0.02)
