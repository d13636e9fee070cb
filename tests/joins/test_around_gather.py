"""Joins of what a Gather brought together, priced as they would run below it too, on a live server."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon.document.audit import Method
from rowreckon.plan.nodes import GatherNode, JoinNode

from .live import Connection, apply, capture, explain, judge, kept_or_live, live_and_kept, only
from .test_below_gather import TOGETHER

TABLES = """
create table hut(id int, region int, pad text);
insert into hut select g, g % 9, repeat('h', 20) from generate_series(1, 1500) g;
create unique index hut_id on hut(id);
create table booking(id int, hut int, week int, season int, month int, pad text);
insert into booking select g, (g / 20) % 1500 + 1, g % 50, g % 50, g % 50, repeat('b', 20)
  from generate_series(1, 30000) g;
analyze hut; analyze booking;
"""
QUERY = "select b.id, {} where b.week < 1 and "
FEW, RIGHT = QUERY + "b.season < 1 and b.month < 1", QUERY + "b.season >= -1 and b.month >= -1"
"""Both give the same 600 rows; in the first the planner takes the three columns to be independent, and expects 1."""
FROM = {
    "inner": "h.region from booking b join hut h on h.id = b.hut",
    "left": "h.region from booking b left join hut h on h.id = b.hut",
}
SETTINGS = TOGETHER | {"parallel_tuple_cost": "0.1", "work_mem": "4MB"}


@pytest.fixture(scope="module", params=live_and_kept(__file__))
def connection(request: pytest.FixtureRequest) -> Iterator[Connection]:
    """A session on a database with huts and bookings."""
    with kept_or_live(request, TABLES, "vacuum analyze") as session:
        yield session


@pytest.mark.parametrize("method", ["nested_loop", "hash", "merge"])
@pytest.mark.parametrize("kind", ["inner", "left"])
def test_join_below_the_gather_of_its_side_is_priced(connection: Connection, kind: str, method: Method) -> None:
    """A side that a Gather brings together for one row is joined below it once its 600 rows are expected."""
    captured = capture(connection, FEW.format(FROM[kind]), settings=SETTINGS)
    (join,) = judge(captured)
    with connection.transaction(force_rollback=True):
        apply(connection, SETTINGS | only(method))
        right = explain(connection, RIGHT.format(FROM[kind])).plan
    assert captured.explain is not None
    plan = captured.explain.plan
    assert isinstance(plan, JoinNode)
    assert any(isinstance(side, GatherNode) for side in plan.plans)

    assert join.costs[method].at_actual == pytest.approx(float(right.total_cost or 0.0), rel=0.01)


def test_next_to_no_row_of_an_antijoin_is_handed_up(connection: Connection) -> None:
    """One row is expected of it at the least, however many are looked for: a Gather above pays for no more."""
    lone = "b.week from booking b where not exists (select from hut h where h.id = b.hut) and"
    few, right = (query.replace("{} where", lone) for query in (FEW, RIGHT))
    (join,) = judge(capture(connection, few, settings=SETTINGS))
    with connection.transaction(force_rollback=True):
        apply(connection, SETTINGS)
        plan = explain(connection, right).plan

    assert min(c.at_actual or 1e9 for c in join.costs.values()) == pytest.approx(
        float(plan.total_cost or 0.0), rel=0.01
    )
