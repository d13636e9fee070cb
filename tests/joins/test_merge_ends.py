"""How far a merge join reads either input where an index knows of values that the statistics don't, on live servers."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon import releases

from .live import SERIAL, Connection, apply, capture, explain, judge, kept_or_live, live_and_kept, only

TABLES = """
create table ticket(k int, pad text);
insert into ticket select g, repeat('t', 10) from generate_series(1, 2000) g;
create table seat(k int, pad text);
insert into seat select g, repeat('s', 10) from generate_series(1, 1000) g;
create index seat_k on seat(k);
analyze ticket; analyze seat;
insert into seat select g, repeat('s', 10) from generate_series(1001, 3000) g;
"""


@pytest.fixture(scope="module", params=live_and_kept(__file__, releases.MODELLED))
def connection(request: pytest.FixtureRequest) -> Iterator[Connection]:
    """A session on a database whose seats have grown since they were analyzed."""
    with kept_or_live(request, TABLES) as session:
        yield session


def test_ends_are_the_statistics(connection: Connection) -> None:
    """get_variable_range takes the histogram's ends, not the index's: half of the tickets lie beyond its 1,000."""
    query = "select t.pad, s.pad from ticket t join seat s on s.k = t.k"
    (join,) = judge(capture(connection, query))
    with connection.transaction(force_rollback=True):
        apply(connection, SERIAL | only("merge"))
        expected = float(explain(connection, query).plan.total_cost or 0.0)

    assert join.costs["merge"].at_estimate == pytest.approx(expected, rel=1e-3)
