"""Temporary tables in a list: what makes one, what reads one, and what is said. Names by PostgreSQL's lexical rules."""

from __future__ import annotations

import psycopg
import pytest

from rowreckon.server.connecting.connection import connected
from rowreckon.server.connecting.permission import SafetyPermission
from rowreckon.server.executing.execute import Executor
from rowreckon.server.lists.querylist import QueryItem, read_query_list
from tests.servers.databases import fresh_database

MAKING = (
    "create temp table Arrivals(id int)",
    "create temporary table if not exists arrivals as select 1 as id",
    "create local temp table arrivals (id int, check (id > 0))",
    "create table pg_temp.arrivals(id int)",
    "create or replace temp view arrivals as select 1 as id",
    "select 1 as id into temp table arrivals",
    'select 1 as id into temporary "arrivals"',
)


def _last(text: str) -> QueryItem:
    return read_query_list(text)[-1]


@pytest.mark.parametrize("making", MAKING)
def test_what_reads_it_is_not_run(making: str) -> None:
    """A permanent table of the same name would be read in its place; the reason says what to do instead."""
    for reading in (
        "select * from arrivals a join guests g on g.id = a.id",
        "select 1 from guests where id in (select id from ARRIVALS)",
        "select 1 from guests g, pg_temp.arrivals a",
        "insert into arrivals select 1",
        "prepare one(int) as select * from arrivals where id = $1; execute one(1)",
    ):
        item = _last(f"{making};\n{reading};")
        assert item.kind == "unfit", reading
        assert "temporary table arrivals" in (item.reason or "")
        assert "CREATE UNLOGGED TABLE" in (item.reason or "")


@pytest.mark.parametrize("making", MAKING)
def test_what_does_not_read_it_is_run(making: str) -> None:
    """A column, a table of a schema or a WITH query of that name is something else; so is all after DROP."""
    for reading in (
        "select arrivals from guests",
        "select * from public.arrivals",
        "with arrivals as (select 1 as id) select * from arrivals",
        "select 'arrivals' from guests",
        "drop table arrivals; select * from arrivals",
    ):
        assert _last(f"{making};\n{reading};").kind == "query", reading


@pytest.mark.parametrize("text", ["create table arrivals(id int)", "create table hut.arrivals as select 1 as id"])
def test_a_table_that_stays_is_none(text: str) -> None:
    """Only temporary ones are gone for the queries after them."""
    assert _last(f"{text};\nselect * from arrivals;").kind == "query"


def test_the_query_that_fills_a_table_has_a_plan(server: str) -> None:
    """CREATE TABLE AS is run where writes are permitted, and leaves nothing behind, temporary or not."""
    items = read_query_list(
        "create temp table north as select * from huts where region = 1;\n"
        "create table south as (select * from huts where region = 2);"
    )
    assert [item.kind for item in items] == ["write", "write"]
    with fresh_database(server) as dsn:
        with psycopg.connect(dsn, autocommit=True) as owner:
            owner.execute("create table huts as select i as id, i % 3 as region from generate_series(1, 300) i")
        with connected(dsn) as connection:
            refused = Executor(connection, SafetyPermission()).run(items[0])
            assert refused.outcome == "refused"
            assert refused.reason == "CREATE TABLE AS creates a table; --allow-writes permits it"
            for item in items:
                run = Executor(connection, SafetyPermission(writes=True)).run(item)
                assert run.outcome == "ran", run.reason
                assert run.document[0]["Plan"]["Actual Rows"] == 100
            assert connection.execute("select to_regclass('north'), to_regclass('south')").fetchone() == (None, None)
