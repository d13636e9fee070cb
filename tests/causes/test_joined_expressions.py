"""A join by what is computed: without statistics the planner takes 200 distinct values, as a server says."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.causes.registry import BY_CODE
from tests.faults.runner import flush_counters

from .live import Connection, codes, first, judged

SETUP = """
create table guests(guest int, code text);
insert into guests select i, 'Code ' || i from generate_series(1, 20000) i;
create table lists(line int, code text);
insert into lists select i, 'CODE ' || i * 3 from generate_series(1, 5000) i;
"""
QUERY = "select g.guest, l.line from lists l join guests g on lower(g.code) = lower(l.code) where l.line <= {}"


@pytest.fixture(scope="module")
def lists(database: str) -> Iterator[Connection]:
    """Guests and lists of them, whose codes are written with other capitals."""
    with psycopg.connect(database, autocommit=True) as connection:
        connection.execute(SETUP.encode())
        flush_counters(connection)
        connection.execute("analyze")
        connection.execute("set max_parallel_workers_per_gather = 0")
        yield connection


@pytest.mark.parametrize(("lines", "kind"), [(20, "expression_index"), (4000, "more_statistics")])
def test_statistics_of_the_larger_sides_expression_mend_it(lists: Connection, lines: int, kind: str) -> None:
    """A few lines out of many guests: the index that brings the statistics finds them too, and the server takes it."""
    query = QUERY.format(lines)
    found = judged(lists, query)
    (draft,) = BY_CODE["expression_without_statistics"].remedy(first(found).subject, found.capture)
    with lists.transaction(force_rollback=True):
        for statement in draft.sql_trial or draft.sql:
            lists.execute(statement.encode())
        mended = judged(lists, query)
        plan = str(lists.execute(f"explain {query}".encode()).fetchall())

    assert codes(found)[0] == "expression_without_statistics"
    assert (draft.kind, [str(table) for table in draft.tables]) == (kind, ["public.guests"])
    assert mended.findings == ()
    assert ("guests_lower_code_idx" in plan) == (kind == "expression_index")
