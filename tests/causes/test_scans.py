"""Row totals of relations: what the plan proves and what the planner took, against count(*) and pg_class."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.causes.scans import actual_totals, aliases, planned_total
from rowreckon.counts import reckon
from rowreckon.plan import lay_out
from rowreckon.remedies.subject import TableName
from tests.faults.runner import capture

from .live import Connection, value

SETUP = (
    "create table logs(id int, hut int, day date, note text)",
    "insert into logs select i, i % 70, date '2025-01-01' + i % 90, 'n' || i from generate_series(1, 60000) i",
    "create table parts(id int, day int) partition by range (day)",
    "create table parts_a partition of parts for values from (0) to (50)",
    "create table parts_b partition of parts for values from (50) to (100)",
    "insert into parts select i, i % 100 from generate_series(1, 10000) i",
    "vacuum analyze",
)


@pytest.fixture(scope="module")
def logs(database: str) -> Iterator[Connection]:
    """A log of 60,000 rows and a partitioned table."""
    with psycopg.connect(database, autocommit=True) as connection:
        for statement in SETUP:
            connection.execute(statement)
        yield connection


@pytest.mark.parametrize("workers", [0, 2])
@pytest.mark.parametrize(
    "where",
    [
        "true",
        "hut = 3",
        "hut in (1, 2, 3) and day < date '2025-02-01'",
        "hut = 3 or id < 50",
        "note = 'n7' and hut > 3",
    ],
)
def test_totals_of_a_sequential_scan(logs: Connection, where: str, workers: int) -> None:
    """Kept plus removed rows are count(*); the total solved from the scan's cost is pg_class's, within 1%."""
    logs.execute(f"set max_parallel_workers_per_gather = {workers}".encode())
    logs.execute("set min_parallel_table_scan_size = 0")
    logs.execute("set parallel_setup_cost = 0")
    logs.execute("set parallel_tuple_cost = 0")
    taken = capture(logs, f"select * from logs where {where}", catalog=False)
    for name in ("max_parallel_workers_per_gather", "min_parallel_table_scan_size", "parallel_setup_cost"):
        logs.execute(f"reset {name}".encode())
    assert taken.explain is not None
    reckoned = reckon(lay_out(taken.explain.plan))
    rows = value(logs, "select count(*) from logs")
    total = actual_totals(reckoned)[TableName("logs", "public")]
    assert total.low <= rows <= total.high
    assert total.high - total.low <= 3
    number = next(n for n, node in enumerate(reckoned.tree.nodes) if node.node_type == "Seq Scan")
    planned = planned_total(reckoned, number, taken, None)
    known = value(logs, "select reltuples from pg_class where relname = 'logs'")
    assert planned is not None
    assert planned.rows.low * 0.99 <= known <= planned.rows.high * 1.01


def test_a_functions_cost_is_not_guessed(logs: Connection) -> None:
    """A function in the filter has a price that the plan does not tell: no total is solved."""
    taken = capture(logs, "select * from logs where lower(note) = 'n7'", catalog=False)
    assert taken.explain is not None
    reckoned = reckon(lay_out(taken.explain.plan))
    assert planned_total(reckoned, 0, taken, None) is None


def test_partition_aliases(logs: Connection) -> None:
    """The partitioned table's alias, which no scan bears, leads to its partitions' scans."""
    taken = capture(logs, "select p.day, count(*) from parts p group by p.day", catalog=False)
    assert taken.explain is not None
    tree = lay_out(taken.explain.plan)
    found = aliases(tree)
    assert {tree.nodes[n].to_explain()["Relation Name"] for n in found["p"]} == {"parts_a", "parts_b"}
