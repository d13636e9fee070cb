"""How far a merge join reads either input where an index knows of values that the statistics don't, on live servers."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from tests.servers.databases import run_script
from tests.servers.fixtures import MatrixServer

from .live import SERIAL, Connection, apply, capture, explain, judge, only

TABLES = """
create table ticket(k int, pad text);
insert into ticket select g, repeat('t', 10) from generate_series(1, 2000) g;
create table seat(k int, pad text);
insert into seat select g, repeat('s', 10) from generate_series(1, 1000) g;
create index seat_k on seat(k);
analyze ticket; analyze seat;
insert into seat select g, repeat('s', 10) from generate_series(1001, 3000) g;
"""


@pytest.fixture(scope="module")
def connection(matrix_database: MatrixServer) -> Iterator[Connection]:
    """A session on a database whose seats have grown since they were analyzed."""
    run_script(matrix_database.dsn, TABLES)
    with psycopg.connect(matrix_database.dsn, autocommit=True) as session:
        yield session


def test_ends_are_the_statistics(connection: Connection) -> None:
    """get_variable_range takes the histogram's ends, not the index's: half of the tickets lie beyond its 1,000."""
    query = "select t.pad, s.pad from ticket t join seat s on s.k = t.k"
    (join,) = judge(capture(connection, query))
    with connection.transaction(force_rollback=True):
        apply(connection, SERIAL | only("merge"))
        expected = float(explain(connection, query).plan.total_cost or 0.0)

    assert join.costs["merge"].at_estimate == pytest.approx(expected, rel=1e-3)
