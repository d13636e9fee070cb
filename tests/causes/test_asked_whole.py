"""Filters that a coarse rule estimates, asked whether they are true: a server gives the same rows and expects them."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.causes.registry import BY_CODE
from tests.faults.runner import flush_counters

from .live import Connection, codes, first, judged, value

SETUP = """
create table huts(hut int, tags text[], valley int, height int);
insert into huts select i, case when i % 50 = 0 then array['spring', 'cellar'] else array['t' || i % 300] end,
  i % 60, i % 60 from generate_series(1, 20000) i;
"""


@pytest.fixture(scope="module")
def huts(database: str) -> Iterator[Connection]:
    """Huts whose tags go together, and whose height says in which valley they are."""
    with psycopg.connect(database, autocommit=True) as connection:
        connection.execute(SETUP.encode())
        flush_counters(connection)
        connection.execute("analyze")
        connection.execute("set max_parallel_workers_per_gather = 0")
        yield connection


@pytest.mark.parametrize(
    "where",
    [
        "h.tags @> array['spring', 'cellar']",
        "h.hut > 0 and h.tags @> array['cellar', 'spring']",
        "h.valley = 7 and h.height = 7 or h.valley = 8 and h.height = 8",
    ],
)
def test_the_truth_of_a_filter_has_statistics(huts: Connection, where: str) -> None:
    """Two elements' shares, or two columns', are multiplied though they go together: the new text is right."""
    query = f"select count(*) from huts h where {where}"
    found = judged(huts, query)
    (draft,) = BY_CODE["unexplained"].remedy(first(found).subject, found.capture)
    with huts.transaction(force_rollback=True):
        for statement in draft.sql[:-1]:
            huts.execute(statement.encode())
        mended = judged(huts, draft.sql[-1])
        rows = value(huts, draft.sql[-1])

    assert (codes(found), first(found).subject.curable) == (["unexplained"], True)
    assert mended.findings == ()
    assert rows == value(huts, query)


def test_a_filter_that_an_index_finds_is_left_as_it_is(huts: Connection) -> None:
    """(…) IS TRUE is found by no index on the column: nothing is offered where one was used."""
    with huts.transaction(force_rollback=True):
        huts.execute("create index on huts using gin (tags)")
        found = judged(huts, "select count(*) from huts h where h.tags @> array['spring', 'cellar']")

    assert not any(f.subject.curable for f in found.findings)
