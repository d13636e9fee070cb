"""A LIMIT over an index in the wanted order, whose rows come late: told with the time that it took, and what helps.

The case is PostgreSQL bug #18834's: the filter's rows stand at the end of the order. The live server tells what helps.
"""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.auditing import audit
from rowreckon.document.audit import TimeElsewhere
from rowreckon.server.lists.querylist import split_named
from tests.faults.runner import capture, pages

from .live import Connection

SETUP = """
create table calls(call int primary key, hut int not null, rescue bool not null, told text default repeat('c', 60));
insert into calls select i, i % 50, i > 39000 from generate_series(1, 40000) i;
analyze calls;
"""
LATE = "select call, told from calls where rescue order by call limit 20"


@pytest.fixture(scope="module")
def valley(database: str) -> Iterator[Connection]:
    """Calls, of which the last were for a rescue."""
    with psycopg.connect(database, autocommit=True) as connection:
        for _, statement in split_named(SETUP):
            connection.execute(statement.encode())
        yield connection


def elsewhere(connection: Connection, query: str) -> list[TimeElsewhere]:
    """Where the time of a query goes."""
    return list(audit([capture(connection, query)]).plans[0].time_elsewhere)


def test_the_hope_is_told_and_what_is_said_to_help_does(valley: Connection) -> None:
    """The filter's column first, then the order's: far fewer pages, and nothing is discarded any more."""
    told = [each.fact for each in elsewhere(valley, LATE)]
    before = pages(valley, LATE)
    valley.execute("create index calls_rescue on calls(rescue, call)")
    try:
        after, then = pages(valley, LATE), [each.fact for each in elsewhere(valley, LATE)]
    finally:
        valley.execute("drop index calls_rescue")

    assert any("to keep 20, in the index's order: the LIMIT hoped to find them early" in fact for fact in told)
    assert any("An index on the filter's columns and then on the order's helps" in fact for fact in told)
    assert after * 10 < before
    assert not any("hoped" in fact for fact in then)


def test_a_scan_whose_rows_are_sorted_hopes_for_nothing(valley: Connection) -> None:
    """The LIMIT takes the sort's rows: all of the scan had to be read, whatever the order."""
    found = elsewhere(valley, "select call from calls where hut = 7 and rescue order by told, call limit 20")

    assert not any("hoped" in each.fact for each in found)
