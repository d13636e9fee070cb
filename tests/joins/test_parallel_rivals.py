"""No method is said to be still the cheapest while a rival that several processes could share is not priced.

The judge is a live server: with right estimates it takes the parallel plan that the model does not price.
"""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.cost import CostSettings
from rowreckon.joins.ways.parallel_rivals import ParallelFloor
from rowreckon.plan import lay_out
from tests.servers.databases import run_script

from .live import SERIAL, Connection, apply, capture, explain, judge

TABLES = """
create table hut(id int primary key, region int, pad text);
insert into hut select g, g % 9, repeat('h', 60) from generate_series(1, 400000) g;
create table stay(id int, hut int, night int, pad text);
insert into stay select g, (g::bigint * 7919 % 400000)::int + 1, g % 9, repeat('s', 60)
  from generate_series(1, 60000) g;
"""
QUERY = "select count(h.region) from stay s join hut h on h.id = s.hut where {}"
# both are true of 6,667 rows; the planner takes an expression without statistics to be true of one row in 200
WRONG, RIGHT = QUERY.format("s.id % 9 = 1"), QUERY.format("s.night = 1")
SETTINGS = {"jit": "off", "seq_page_cost": "0.1", "random_page_cost": "0.6"}


@pytest.fixture(scope="module")
def connection(database: str) -> Iterator[Connection]:
    """A session on a database with huts and stays."""
    run_script(database, TABLES)
    with psycopg.connect(database, autocommit=True) as session:
        session.execute("vacuum analyze")
        yield session


def test_a_rival_for_several_processes_leaves_the_verdict_open(connection: Connection) -> None:
    """With right estimates the server takes a parallel hash join that costs a third less than the nested loop."""
    (join,) = judge(capture(connection, WRONG, settings=SETTINGS))
    with connection.transaction(force_rollback=True):
        apply(connection, SETTINGS)
        right = explain(connection, RIGHT).plan
    types = {node.node_type for node in lay_out(right).nodes}

    assert {"Gather", "Hash Join"} <= types
    loop, hashed = join.costs["nested_loop"].at_actual, join.costs["hash"].at_actual
    assert loop is not None
    assert hashed is not None
    assert float(right.total_cost or 0.0) * 1.1 < loop < hashed
    assert join.verdict == "undecided"
    assert "by several processes" in join.why


def test_one_process_leaves_nothing_open(connection: Connection) -> None:
    """Where no worker may take part, the same join is held."""
    (join,) = judge(capture(connection, WRONG, settings=SETTINGS | SERIAL))

    assert join.verdict == "held"


def test_the_least_of_a_shared_way_is_its_share_of_the_work() -> None:
    """Two workers and the leader's dwindling share divide the work by 2.4 (get_parallel_divisor, costsize.c)."""
    floor = ParallelFloor(setup=1000.0, divisor=2.4)

    assert floor.least(24_000.0) == 11_000.0
    assert CostSettings().max_parallel_workers_per_gather == 2
