"""Whether two plans are the same, against the server's own text of them without figures."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import psycopg
import pytest

from rowreckon.plan import lay_out, parse_document
from rowreckon.plan.same import as_run
from rowreckon.trial.plan_words import join_order, written_tables

from .forced import CHOICES, plan_text

SETUP = """
create table huts(id int primary key, valley text);
insert into huts select i, 'v' || i % 7 from generate_series(1, 500) i;
create table bookings(id int, hut int, night int, state text);
insert into bookings select i, i % 500 + 1, i % 365, 's' || i % 5 from generate_series(1, 30000) i;
create index on bookings(hut);
create table notes(booking int, hut int);
insert into notes select i, i % 500 + 1 from generate_series(1, 3000) i;
create table logs(hut int, night int) partition by range (night);
create table logs_1 partition of logs for values from (0) to (100);
create table logs_2 partition of logs for values from (100) to (400);
create table logs_3 partition of logs for values from (400) to (900);
insert into logs select i % 500 + 1, i % 365 from generate_series(1, 20000) i;
analyze;
"""
QUERIES = (
    "select count(*) from bookings b join huts h on h.id = b.hut where h.valley = 'v3'",
    "select h.valley, count(*) from bookings b join huts h on h.id = b.hut join notes n on n.booking = b.id group by 1",
    "select * from huts h where exists (select from notes n where n.hut = h.id) order by valley limit 7",
    "select count(*) from logs l join huts h on h.id = l.hut where l.night < 50",
    "select count(*) from huts a left join notes n on n.hut = a.id and n.booking > 5",
)


@pytest.fixture(scope="module")
def huts(database: str) -> Iterator[psycopg.Connection[Any]]:
    """A small database."""
    with psycopg.connect(database, autocommit=True) as connection:
        for statement in SETUP.split(";\n"):
            if statement.strip():
                connection.execute(statement.encode())
        yield connection


def _plan(connection: psycopg.Connection[Any], query: str) -> dict[str, Any]:
    row = connection.execute(f"explain (verbose, format json) {query}".encode()).fetchone()
    assert row is not None
    return dict(row[0][0]["Plan"])


@pytest.mark.parametrize("query", QUERIES)
def test_shapes_differ_where_the_servers_text_differs(huts: psycopg.Connection[Any], query: str) -> None:
    """Over all plans that switches bring, two shapes are equal exactly if the server prints the same text."""
    texts: dict[str, object] = {}
    for off in CHOICES:
        with huts.transaction(force_rollback=True):
            for name in off:
                huts.execute(f"set local {name} = off".encode())
            text = plan_text(huts, query)
            shape = as_run(_plan(huts, query))
            assert texts.setdefault(text, shape) == shape
    assert len(set(texts.values())) == len(texts)
    assert len(texts) > 1


def test_estimates_do_not_count(huts: psycopg.Connection[Any]) -> None:
    """More rows, other costs: as long as nodes and conditions stay, it is the same plan."""
    query = "select count(*) from notes where hut < 400"
    before, text = as_run(_plan(huts, query)), plan_text(huts, query)
    rows = _plan(huts, query)["Plans"][0]["Plan Rows"]
    huts.execute("insert into notes select i, 1 from generate_series(1, 2000) i")
    huts.execute("analyze notes")
    assert _plan(huts, query)["Plans"][0]["Plan Rows"] != rows
    assert as_run(_plan(huts, query)) == before
    assert plan_text(huts, query) == text


def test_join_order_in_words(huts: psycopg.Connection[Any]) -> None:
    """The order that join_collapse_limit = 1 makes the planner keep, outer side first."""
    query = (
        "select count(*) from notes n join bookings b on b.id = n.booking join huts h on h.id = b.hut"
        " where h.valley = 'v3'"
    )
    settings = ("join_collapse_limit = 1", "enable_hashjoin = off", "enable_mergejoin = off", "enable_material = off")
    with huts.transaction(force_rollback=True):
        for setting in settings:
            huts.execute(f"set local {setting}".encode())
        plan = _plan(huts, query)
    order = join_order(lay_out(parse_document({"Plan": plan}).plan))
    assert order in ("(n join b) join h", "(b join n) join h", "h join (n join b)", "h join (b join n)")
    partitions = _plan(huts, "select count(*) from logs l join huts h on h.id = l.hut")
    assert "l_1, l_2, and 1 more" in (join_order(lay_out(parse_document({"Plan": partitions}).plan)) or "")
    alone = _plan(huts, "select count(*) from huts")
    assert join_order(lay_out(parse_document({"Plan": alone}).plan)) is None


def test_what_a_statement_writes_to(huts: psycopg.Connection[Any]) -> None:
    """The target of INSERT, UPDATE and DELETE, and nothing that is only read."""
    assert written_tables(as_run(_plan(huts, "insert into notes select id, hut from bookings"))) == {
        "notes",
        "public.notes",
    }
    assert "public.bookings" in written_tables(as_run(_plan(huts, "delete from bookings where id = 1")))
    assert written_tables(as_run(_plan(huts, "select * from notes"))) == frozenset()
