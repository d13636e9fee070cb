"""Rows below a shared hash table and below an Append: divided by workers that EXPLAIN does not print.

What a scan is expected to give in all is what the same server expects of it in a plan by one process.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import psycopg
import pytest

from rowreckon.capture import Capture
from rowreckon.counts.reckon import NodeCount, ReckonedTree
from rowreckon.joins.facts.own_workers import reckoned_of
from rowreckon.plan.tree import alias_of
from tests.joins.live import capture
from tests.servers.fixtures import MatrixServer

from .live import explain, session

pytestmark = pytest.mark.oldest_and_newest
Connection = psycopg.Connection[Any]

# With a threshold of 64 kB a table of 8 pages gets one worker, one of 24 pages two, one of 72 pages three.
TABLES = """
create table stay(id int, guest int, note text);
insert into stay select i, i % 900, repeat('n', 60) from generate_series(1, 30000) i;
create table guest(id int, age int);
insert into guest select i, i % 90 from generate_series(1, 3000) i;
create table night(id int, season int) partition by list (season);
create table night_summer partition of night for values in (1);
create table night_winter partition of night for values in (2);
insert into night select i, 1 from generate_series(1, 30000) i;
insert into night select i, 2 from generate_series(1, 3000) i;
"""
SHARED = {
    "max_parallel_workers_per_gather": "3",
    "parallel_setup_cost": "0",
    "parallel_tuple_cost": "0",
    "min_parallel_table_scan_size": "64kB",
    "enable_mergejoin": "off",
    "enable_nestloop": "off",
    "jit": "off",
}
JOIN = "select s.note, g.age from stay s join guest g on g.id = s.guest where g.age < 45"
APPEND = "select n.id from night n where n.id > 100"


@pytest.fixture(scope="module")
def connection(matrix_database: MatrixServer) -> Iterator[Connection]:
    """A session on a database with large and small tables."""
    with psycopg.connect(matrix_database.dsn, autocommit=True) as made:
        made.execute(TABLES.encode())
        made.execute(b"vacuum analyze")
        yield made


def _captured(connection: Connection, query: str, **settings: str) -> Capture:
    return capture(connection, query, settings=SHARED | settings)


def _expected(connection: Connection, query: str) -> float:
    """The rows that the planner expects of a scan by one process."""
    with session(connection, {"max_parallel_workers_per_gather": "0"}):
        return float(explain(connection, query, "COSTS")["Plan"]["Plan Rows"])


def _of(reckoned: ReckonedTree, alias: str) -> NodeCount:
    """The totals of the scan under an alias, which must be a shared one."""
    (found,) = [n for n, node in enumerate(reckoned.tree.nodes) if alias_of(node) == alias]
    assert reckoned.parallelism.partial[found]
    return reckoned.counts[found]


def test_a_hash_table_has_workers_of_its_own(connection: Connection) -> None:
    """The small table was planned for one worker, the large one for three: both estimates are right."""
    captured = _captured(connection, JOIN)
    expected = _expected(connection, "select from guest where age < 45")
    reckoned = reckoned_of(captured)
    hashed = next(n for n, node in enumerate(reckoned.tree.nodes) if node.node_type == "Hash")
    assert reckoned.tree.nodes[hashed].parallel_aware

    for count in (_of(reckoned, "g"), reckoned.counts[hashed]):
        assert count.estimate == pytest.approx(expected, abs=1.7)
        assert count.q_error == pytest.approx(1.0, abs=0.01)
    assert reckoned.parallelism.planned[hashed] == 1
    large = _of(reckoned, "s")
    assert large.estimate == pytest.approx(_expected(connection, "select from stay"), abs=3.1)


def test_without_the_catalog_no_error_is_told(connection: Connection) -> None:
    """The plan alone leaves open whether one, two or three workers were meant: the right total is among them."""
    count = _of(reckoned_of(_captured(connection, JOIN).model_copy(update={"catalog": None})), "g")
    expected = _expected(connection, "select from guest where age < 45")

    assert count.estimate_interval is not None
    assert count.estimate_interval.low <= expected <= count.estimate_interval.high
    assert count.q_error_low == 1.0


def test_a_misestimate_is_still_one(connection: Connection) -> None:
    """Ten times as many guests as expected: by whichever number of workers the estimate was divided, it was wrong."""
    query = JOIN.replace("g.age < 45", "(g.age * 2) % 2 = 0")
    captured = _captured(connection, query)
    expected = _expected(connection, "select from guest where (age * 2) % 2 = 0")
    known = _of(reckoned_of(captured), "g")
    alone = _of(reckoned_of(captured.model_copy(update={"catalog": None})), "g")

    assert known.q_error == pytest.approx(3000 / expected, rel=0.1)
    assert alone.q_error_low is not None
    assert 50 < alone.q_error_low < 3000 / expected


@pytest.mark.parametrize("appended", ["on", "off"])
def test_the_inputs_of_an_append_have_workers_of_their_own(connection: Connection, appended: str) -> None:
    """The small partition was planned for one worker, whatever the Append itself was given."""
    captured = _captured(connection, APPEND, enable_parallel_append=appended)
    reckoned = reckoned_of(captured)
    top = next(n for n, node in enumerate(reckoned.tree.nodes) if node.node_type == "Append")
    assert reckoned.counts[top].q_error_low == pytest.approx(1.0, abs=0.02)
    scans = [n for n in reckoned.tree.subtree(top) if n != top]
    for number in scans:
        name = getattr(reckoned.tree.nodes[number], "relation_name", None)
        expected = _expected(connection, f"select from {name} n where n.id > 100")
        interval = reckoned.counts[number].estimate_interval
        assert interval is not None
        assert interval.low <= expected <= interval.high, name
        assert reckoned.counts[number].q_error_low == pytest.approx(1.0, abs=0.02)


def test_an_append_of_whole_scans_is_divided_all_the_same(connection: Connection) -> None:
    """Processes take an input each: the Append's printed rows are a share of theirs, which are printed whole."""
    query = "select s.id from stay s where s.id > 100 union all select g.id from guest g where g.id > 100"
    with session(connection, {}):
        for table in ("stay", "guest"):
            connection.execute(f"alter table {table} set (parallel_workers = 0)".encode())
        reckoned = reckoned_of(_captured(connection, query))
        top = next(n for n, node in enumerate(reckoned.tree.nodes) if node.node_type == "Append")
        assert reckoned.tree.nodes[top].parallel_aware
        assert not any(reckoned.parallelism.partial[n] for n in reckoned.tree.subtree(top) if n != top)

    assert reckoned.counts[top].q_error_low == pytest.approx(1.0, abs=0.02)
