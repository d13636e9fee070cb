"""Merge joins of a table partitioned by range, whose partitions come one after the other in the order of their bounds.

A default partition has rows of anywhere: with one the partitions are merged. On live servers.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon import releases

from .live import SERIAL, Connection, apply, capture, explain, judge, kept_or_live, live_and_kept, only

TABLES = """
create table closing(day int, hut int);
insert into closing select g % 4000, g from generate_series(1, 300) g;
create table visit(day int, hut int, pad text) partition by range (day);
create table visit_1 partition of visit for values from (0) to (1000);
create table visit_2 partition of visit for values from (1000) to (4000);
insert into visit select g % 4000, g, repeat('v', 40) from generate_series(1, 20000) g;
create index on visit(day);
create table other (like visit) partition by range (day);
create table other_1 partition of other for values from (0) to (1000);
create table other_2 partition of other default;
insert into other select * from visit;
create index on other(day);
"""


@pytest.fixture(scope="module", params=live_and_kept(__file__, (releases.MODELLED[0], releases.NEWEST)))
def connection(request: pytest.FixtureRequest) -> Iterator[Connection]:
    """A session on a database with two partitioned tables, one of them with a default partition."""
    with kept_or_live(request, TABLES, "vacuum analyze") as session:
        yield session


@pytest.mark.parametrize(("table", "ordered"), [("visit", "Append"), ("other", "Merge Append")])
def test_partitions_in_the_order_of_their_bounds(connection: Connection, table: str, ordered: str) -> None:
    """What a merge join costs is the server's own figure for it."""
    query = f"select v.pad, c.hut from {table} v left join closing c on c.day = v.day"
    (join,) = judge(capture(connection, query))
    with connection.transaction(force_rollback=True):
        apply(connection, SERIAL | only("merge"))
        plan = explain(connection, query).plan

    assert plan.plans[0].node_type == ordered
    assert join.costs["merge"].at_estimate == pytest.approx(float(plan.total_cost or 0.0), rel=0.001)
