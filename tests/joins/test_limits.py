"""Joins of which only the first rows are wanted, perhaps in an order: compared for those rows, on a live server."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon.document.audit import Method

from .live import SERIAL, Connection, apply, capture, explain, judge, kept_or_live, live_and_kept, only
from .test_right_estimates import RIGHT, TABLES, WRONG

MORE = """
create index stay_id on stay(id);
create table trip as select id, week, season, (hashint4(id) & 65535) % 5000 + 1 as guest from stay;
create index trip_guest on trip(guest);
create index trip_id on trip(id);
analyze trip;
"""
VISITS = "select s.id, v.nights from stay s join visit v on v.guest = s.guest where {}"
TRIPS = "select s.id, t.guest from stay s join trip t on t.id = s.id where {}"
GUESTS = "select s.guest, v.nights from trip s join visit v on v.guest = s.guest where {}"


@pytest.fixture(scope="module", params=live_and_kept(__file__))
def connection(request: pytest.FixtureRequest) -> Iterator[Connection]:
    """A session on a database with stays, visits and trips."""
    with kept_or_live(request, TABLES + MORE) as session:
        yield session


def _limit_cost(connection: Connection, query: str, settings: dict[str, str]) -> float:
    with connection.transaction(force_rollback=True):
        apply(connection, SERIAL | settings)
        plan = explain(connection, query).plan
    assert plan.node_type == "Limit"
    return float(plan.total_cost or 0.0)


@pytest.mark.parametrize(
    "query",
    [
        VISITS.format(WRONG) + " limit 10",
        VISITS.format(WRONG) + " order by s.id limit 10",
        TRIPS.format(WRONG) + " order by s.id limit 100",
        GUESTS.format(WRONG) + " order by s.guest limit 20",
    ],
)
def test_methods_are_compared_for_the_rows_wanted(connection: Connection, query: str) -> None:
    """What each method costs up to the limit: one that gives no order is sorted first, however few rows are wanted."""
    (join,) = judge(capture(connection, query))
    server = {m: _limit_cost(connection, query, only(m)) for m in join.costs}

    assert join.residual == pytest.approx(1.0, abs=1e-3)
    assert {m: c.at_estimate for m, c in join.costs.items()} == pytest.approx(server, rel=0.01)
    assert join.verdict == "accurate"


@pytest.mark.parametrize(("query", "best"), [(VISITS + " limit 500", "nested_loop"), (TRIPS + " limit 700", "merge")])
def test_limit_is_a_smaller_part_of_more_rows(connection: Connection, query: str, best: Method) -> None:
    """Fewer rows were expected than are wanted, ten times as many came: a method that starts soon would have done."""
    (join,) = judge(capture(connection, query.format(WRONG)))
    assert join.method == "hash"
    assert join.verdict == "crossed"
    assert join.best_at_actual == best

    server = _limit_cost(connection, query.format(RIGHT), {})
    assert join.costs[best].at_actual == pytest.approx(server, rel=0.005)
