"""Join clauses of partitioned tables, which no plan names: the server is asked about the table above the partitions.

The judge is the server of the release: the plan that it makes with one join method left, and the plan that it makes for
the same rows when it expects them.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon.cost.units import DISABLE_COST
from tests.servers.fixtures import MatrixServer

from .live import SERIAL, Connection, apply, capture, explain, filled, judge, only

TABLES = """
create table ticket(id int, sold int, season int, week int, town text, pad text, primary key (id, sold))
  partition by range (sold);
create table ticket_early partition of ticket for values from (0) to (40);
create table ticket_late partition of ticket for values from (40) to (70);
create table ticket_next partition of ticket for values from (70) to (100);
insert into ticket select i, i % 100, (i / 100) % 50, (i / 100) % 50, 'town ' || (i % 7) * (i % 7), repeat('t', 30)
  from generate_series(1, 60000) i;
create table remark(ticket int, kind int, town text);
insert into remark select i, i % 30, 'town ' || (i % 5) * (i % 5) from generate_series(1, 4000) i;
"""
QUERIES = {
    "a part is merged": "select t.pad, r.kind from remark r join ticket t on t.id = r.ticket where r.kind < 9",
    "common values on both sides": "select t.pad, r.kind from remark r join ticket t on t.town = r.town"
    " where r.ticket < 50 and t.sold < 50",
    "partitions left out": "select t.pad, r.kind from remark r join ticket t on t.id = r.ticket where t.sold >= 40",
    "semi": "select t.pad from ticket t where exists (select from remark r where r.town = t.town and r.kind = 3)",
}


@pytest.fixture(scope="module")
def connection(matrix_database: MatrixServer) -> Iterator[Connection]:
    """A session on a database with a partitioned table and remarks on a part of its rows."""
    with filled(matrix_database.dsn, TABLES) as session:
        yield session


@pytest.mark.oldest_and_newest
@pytest.mark.parametrize("query", QUERIES)
def test_each_method_costs_what_the_server_says(connection: Connection, query: str) -> None:
    """Within 1 %; a merge join that reads a part of the table is charged for that part."""
    (judged,) = judge(capture(connection, QUERIES[query]))

    assert judged.residual == pytest.approx(1.0, abs=0.001)
    compared = 0
    for method in ("nested_loop", "hash", "merge"):
        expected = _cost(connection, QUERIES[query], SERIAL | only(method))
        modelled = judged.costs[method].at_estimate
        if expected >= DISABLE_COST or modelled is None:
            continue
        compared += 1
        assert modelled == pytest.approx(expected, rel=0.01), method
    assert compared >= 2


@pytest.mark.newest
def test_an_append_hands_over_the_rows_that_came(connection: Connection) -> None:
    """Each row that an Append hands on costs: the hash join at the actual rows is that of right estimates."""
    template = "select t.pad, r.kind from ticket t join remark r on r.ticket = t.id where {}"
    settings = SERIAL | only("hash")
    (judged,) = judge(capture(connection, template.format("t.season < 5 and t.week < 5"), settings=settings))
    expected = _cost(connection, template.format("t.season < 5 and t.week >= -1"), settings)

    tickets = next(side for side in (judged.outer, judged.inner) if "public.remark" not in side.tables)
    assert (tickets.estimated_rows, tickets.actual_rows) == (pytest.approx(600, rel=0.1), 6000)
    assert judged.costs["hash"].at_actual == pytest.approx(expected, rel=0.005)


def _cost(connection: Connection, query: str, settings: dict[str, str]) -> float:
    with connection.transaction(force_rollback=True):
        apply(connection, settings)
        return float(explain(connection, query).plan.total_cost or 0.0)
