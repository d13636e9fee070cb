"""A partitioned table of which one partition is left: the planner joins it by the statistics of the whole table.

Each half of the nights has huts of its own: few in summer, many in winter. The plan names a partition the same whether
the query named it or the table; live servers' own costs are the judge.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon.document.audit import Method
from rowreckon.plan import lay_out
from tests.servers.databases import fresh_database
from tests.servers.fixtures import Servers

from .live import SERIAL, Connection, apply, capture, explain, filled, judge, only

TABLES = """
create table night(id int, week int, hut int, pad text) partition by range (week);
create table summer partition of night for values from (0) to (10);
create table winter partition of night for values from (10) to (30);
insert into night select g, g % 30, case when g % 30 < 10 then g % 40 else (g * 31) % 5000 end, repeat('n', 30)
  from generate_series(1, 30000) g;
create table hut(id int, label text);
insert into hut select g, repeat('h', 20) from generate_series(1, 3000) g;
create index hut_id on hut(id);
"""


@pytest.fixture(scope="module", params=[14, 18])
def connection(request: pytest.FixtureRequest, servers: Servers) -> Iterator[Connection]:
    """A session on a database with nights and huts, before and after a table's tuples were those of its partitions."""
    with fresh_database(servers(request.param).dsn) as dsn, filled(dsn, TABLES) as session:
        yield session


@pytest.mark.parametrize("method", ["nested_loop", "hash"])
@pytest.mark.parametrize("table", ["night", "summer"])
def test_costs_are_those_of_what_the_query_named(connection: Connection, table: str, method: Method) -> None:
    """The nested loop's Memoize and the rows that come of the join hang on how many different huts there are."""
    query = f"select n.id, h.label from {table} n join hut h on h.id = n.hut where n.week < 9"
    captured = capture(connection, query)
    (join,) = judge(captured)
    with connection.transaction(force_rollback=True):
        apply(connection, SERIAL | only(method))
        plan = explain(connection, query).plan
    assert captured.explain is not None
    assert "Append" not in {node.node_type for node in lay_out(captured.explain.plan).nodes}

    found = {m: cost.at_estimate for m, cost in join.costs.items()}
    assert found[method] == pytest.approx(float(plan.total_cost or 0.0), rel=1e-3)
