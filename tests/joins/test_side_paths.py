"""Which scan of a side the planner builds on, where two cost nearly the same, on a live server."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon.plan.nodes import IndexScanNode

from .live import SERIAL, Connection, apply, capture, explain, judge, kept_or_live, live_and_kept, only

TABLES = """
create table place(k text, k2 int, v int, pad text);
insert into place select 'k' || lpad(g::text, 8, '0'), g % 7, g, repeat('i', 40) from generate_series(1, 1000) g;
create index place_k on place(k);
create table stay(id int, k text, pad text);
insert into stay select g, 'k' || lpad((g % 1000 + 1)::text, 8, '0'), repeat('o', 20) from generate_series(1, 60000) g;
analyze place; analyze stay;
"""
QUERY = "select s.id, s.pad from stay s where s.id <= {} and exists (select from place p where p.k = s.k)"


@pytest.fixture(scope="module", params=live_and_kept(__file__))
def connection(request: pytest.FixtureRequest) -> Iterator[Connection]:
    """A session on a database with places and stays."""
    with kept_or_live(request, TABLES, "vacuum place") as session:
        yield session


def test_useful_order_is_not_given_up_for_an_earlier_start(connection: Connection) -> None:
    """An index that gives the join's order is kept beside the whole table, and built on if it is cheaper by a hair."""
    query, settings = QUERY.format(3000), SERIAL | {"random_page_cost": "1.1"}
    with connection.transaction(force_rollback=True):
        apply(connection, settings)
        whole = float(explain(connection, "select k from place").plan.total_cost or 0.0)
        apply(connection, only("merge"))
        merge = explain(connection, query).plan
    index = next(side for side in merge.plans if isinstance(side, IndexScanNode))
    assert whole / 1.01 < float(index.total_cost or 0.0) < whole

    (join,) = judge(capture(connection, query, settings=settings))
    assert join.costs["merge"].at_estimate == pytest.approx(float(merge.total_cost or 0.0), rel=0.001)
