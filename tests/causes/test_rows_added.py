"""A few new rows of a large table: too few for autovacuum to come, and all that the query reads.

By the server: once the table is analysed the same estimate is right.
"""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.server.lists.querylist import split_named
from tests.faults.runner import flush_counters

from .live import Connection, codes, judged

SETUP = """
create table stays(stay int primary key, bed int not null, started date not null, ended date, paid bool not null)
  with (autovacuum_enabled = off);
insert into stays select i, i % 500, date '2025-01-01' + i / 200, date '2025-01-02' + i / 200, i % 2 = 0
  from generate_series(1, 50000) i;
update stays set ended = null where stay > 49980;
create index stays_open on stays(bed) where ended is null;
"""
ADDED = """
insert into stays select i, i % 500, date '2026-06-01', null, false from generate_series(50001, 51200) i;
"""


@pytest.fixture(scope="module")
def lodge(database: str) -> Iterator[Connection]:
    """Stays, those of today without an end among them."""
    with psycopg.connect(database, autocommit=True) as connection:
        for script in (SETUP, "vacuum analyze stays", ADDED):
            for _, statement in split_named(script):
                connection.execute(statement.encode())
            flush_counters(connection)
        yield connection
        connection.execute("drop table stays")


QUERIES = [f"select count(*) from stays where {condition}" for condition in ("ended is null", "started > '2026-01-01'")]


def test_rows_of_today_are_named(lodge: Connection) -> None:
    """1,200 of 51,200 rows were added, 2%: each condition's excess is theirs, whether or not its index prints it. Other
    errors, of 25,000 rows too many, are not."""
    found = []
    for by_index in (True, False):
        lodge.execute(f"set enable_seqscan = {'off' if by_index else 'on'}".encode())
        found += [codes(judged(lodge, query)) for query in QUERIES]
    other = codes(judged(lodge, "select count(*) from stays where ended - started = 1 and (ended - started) * 2 = 2"))
    lodge.execute("analyze stays")
    mended = [judged(lodge, query).findings for query in QUERIES]

    assert found == [["stale_statistics"]] * 4
    assert other
    assert "stale_statistics" not in other
    assert mended == [(), ()]
