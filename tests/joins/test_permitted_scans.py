"""What may be remembered of keys of two types, and which scans a session leaves to the planner, on live servers."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon import releases
from rowreckon.document.audit import Method
from rowreckon.plan import lay_out

from .live import SERIAL, Connection, apply, capture, explain, judge, kept_or_live, live_and_kept, only

TABLES = """
set timezone = 'UTC';
create table booking(id int, week int, day date, hut int);
insert into booking select g, g % 200, date '2020-01-01' + g % 100, (g::bigint * 7919) % 2000
  from generate_series(1, 8000) g;
create table arrival(at timestamptz, hut int, note text);
insert into arrival select timestamptz '2020-01-01' + g % 100 * interval '1 day', g % 2000, repeat('n', 60)
  from generate_series(1, 10000) g;
create index arrival_at on arrival(at);
create index arrival_hut on arrival(hut);
"""
METHODS: tuple[Method, ...] = ("nested_loop", "hash", "merge")
BY_HUT = "select b.id, a.hut from booking b join arrival a on a.hut = b.hut where b.week < 8"


@pytest.fixture(scope="module", params=live_and_kept(__file__, (14, releases.NEWEST)))
def connection(request: pytest.FixtureRequest) -> Iterator[Connection]:
    """A session on a database with bookings and arrivals."""
    with kept_or_live(request, TABLES, "vacuum analyze") as session:
        yield session


def test_rows_are_remembered_by_keys_of_another_type(connection: Connection) -> None:
    """A date equals no time stamp by hashing, so that no hash join is possible, but a date can be hashed by itself."""
    query = "select b.id, a.note from booking b join arrival a on a.at = b.day where b.week < 100"
    settings = SERIAL | only("nested_loop")
    (join,) = judge(capture(connection, query, settings=settings))
    with connection.transaction(force_rollback=True):
        apply(connection, settings)
        plan = lay_out(explain(connection, query).plan)

    remembered = "Memoize" in {node.node_type for node in plan.nodes}
    assert remembered == (connection.info.server_version >= 150000)  # 14 has one hash operator for both sides
    assert "hash" in join.excluded
    assert join.costs["nested_loop"].at_estimate == pytest.approx(float(plan.nodes[0].total_cost or 0.0), abs=0.02)


@pytest.mark.parametrize("switch", ["enable_indexonlyscan", "enable_indexscan", "enable_bitmapscan"])
def test_scans_that_are_switched_off_are_left_out(connection: Connection, switch: str) -> None:
    """Each method costs what the server says of it without that scan."""
    settings = SERIAL | {switch: "off"}
    (join,) = judge(capture(connection, BY_HUT, settings=settings))
    server: dict[str, float] = {}
    for method in METHODS:
        with connection.transaction(force_rollback=True):
            apply(connection, settings | only(method))
            server[method] = float(explain(connection, BY_HUT).plan.total_cost or 0.0)

    assert {m: c.at_estimate for m, c in join.costs.items()} == pytest.approx(server, rel=0.001)
