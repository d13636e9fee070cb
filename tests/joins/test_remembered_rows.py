"""Loops whose inner rows a Memoize keeps, or would keep at the rows that came, on a live server that prints whole rows.

Weeks and seasons of a trail always hold the same value: a condition on both is expected to let through too few rows.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from rowreckon.plan import lay_out
from tests.servers.databases import fresh_database
from tests.servers.fixtures import Servers

from .live import SERIAL, Connection, apply, capture, explain, filled, judge, only

TABLES = """
create table guest(hut int, pad text);
insert into guest select g % 150 + 1, repeat('g', 40) from generate_series(1, 3000) g;
create index guest_hut on guest(hut);
create table trail(id int, week int, season int, hut int, pad text);
insert into trail select g, (g * 31) % 200, (g * 31) % 200, (g * 7919) % 150 + 1, repeat('t', 20)
  from generate_series(1, 20000) g;
create table walk(id int, week int, season int, hut int, pad text);
insert into walk select g, (g * 31) % 200, (g * 31) % 200, (g * 7919) % 100 + 1, repeat('w', 100)
  from generate_series(1, 20000) g;
create table lodger(hut int, pad text);
insert into lodger select g % 100 + 1, repeat('l', 40) from generate_series(1, 2000) g;
create index walk_hut on walk(hut);
"""
SETTINGS = SERIAL | {"random_page_cost": "1.1", "work_mem": "256kB"}
WRONG, RIGHT = "{0}.week < 4 and {0}.season < 4", "{0}.week < 4 and {0}.season >= -1"


@pytest.fixture(scope="module")
def connection(servers: Servers) -> Iterator[Connection]:
    """A session on a database with guests, trails and walks."""
    with fresh_database(servers(16).dsn) as dsn, filled(dsn, TABLES) as session:
        yield session


def _server(connection: Connection, query: str) -> float:
    """What the server's own nested loop costs."""
    with connection.transaction(force_rollback=True):
        apply(connection, SETTINGS | only("nested_loop"))
        return float(explain(connection, query).plan.total_cost or 0.0)


def test_no_crossing_that_a_memoize_would_spare(connection: Connection) -> None:
    """For few rows none was worth it; for those that came it is, which the plan alone tells as an upper bound."""
    query = "select t.id, g.pad from trail t join guest g on g.hut = t.hut where "
    captured = capture(connection, query + WRONG.format("t"), settings=SETTINGS, catalog=False)
    assert captured.explain is not None
    assert {node.node_type for node in lay_out(captured.explain.plan).nodes} == {
        "Nested Loop",
        "Seq Scan",
        "Index Scan",
    }
    (join,) = judge(captured)
    right = _server(connection, query + RIGHT.format("t"))

    known = join.costs["nested_loop"].at_actual
    assert known is None or known < 1.05 * right
    assert join.verdict != "crossed"


def test_rounded_rows_are_read_by_the_joins_output(connection: Connection) -> None:
    """Four rows of each execution may be three and a half: that 8,000 pairs came tells that they are four."""
    query = "select w.id, l.pad from lodger l join walk w on w.hut = l.hut where "
    settings = SETTINGS | only("nested_loop") | {"enable_seqscan": "on"}
    captured = capture(connection, query + WRONG.format("w"), settings=settings)
    (join,) = judge(captured)

    assert join.costs["nested_loop"].at_actual == pytest.approx(
        _server(connection, query + RIGHT.format("w")), rel=0.02
    )
