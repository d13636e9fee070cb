"""What the planner knows of columns that a join makes equal, and of frequent values on both sides, on a live server."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from .live import SERIAL, Connection, apply, capture, explain, judge, kept_or_live, live_and_kept, only
from .test_right_estimates import TABLES

MORE = """
create index stay_guest on stay(guest);
create index visit_nights on visit(guest, nights);
create table night as select id, week, hut % 20 as room from stay;
analyze;
"""


@pytest.fixture(scope="module", params=live_and_kept(__file__))
def connection(request: pytest.FixtureRequest) -> Iterator[Connection]:
    """A session on a database with stays and visits."""
    with kept_or_live(request, TABLES + MORE) as session:
        yield session


@pytest.mark.parametrize("condition", ["v.guest = s.guest", "s.guest = v.guest"])
@pytest.mark.parametrize("first", ["s.guest", "v.guest"])
def test_groups_to_sort_are_counted_by_the_first_of_equal_columns(
    connection: Connection, condition: str, first: str
) -> None:
    """Few stays, many visits: the column that the query names first tells how many groups are sorted by themselves."""
    query = f"select s.id, v.nights from stay s join visit v on {condition} where s.week < 2 order by {first}, s.hut"
    settings = only("merge")
    (join,) = judge(capture(connection, query, settings=SERIAL | settings))
    with connection.transaction(force_rollback=True):
        apply(connection, SERIAL | settings)
        plan = explain(connection, query).plan

    assert plan.node_type == "Incremental Sort"
    assert join.costs["merge"].at_estimate == pytest.approx(float(plan.total_cost or 0.0), abs=0.02)


def test_frequent_values_on_both_sides_of_a_subquery(connection: Connection) -> None:
    """A LIMIT hands its table's frequent values on: the plan's own rows tell which of them meet."""
    limited = "select * from night where week < 60 order by id limit 300"
    query = f"select o.id, n.week from ({limited}) o join night n on n.room = o.room"
    with connection.transaction(force_rollback=True):
        apply(connection, SERIAL | only("hash"))
        plan = explain(connection, query).plan
    (join,) = judge(capture(connection, query, settings=SERIAL | only("hash")))

    assert plan.node_type == "Hash Join"
    assert join.residual == pytest.approx(1.0, abs=1e-5)
