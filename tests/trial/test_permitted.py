"""What a server may be given as a change: looked up in a live catalog, and a hostile capture tried from end to end."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from rowreckon.server.connecting.connection import Connection, connected
from rowreckon.server.trials.apply import apply
from rowreckon.server.trials.permitted import permitted
from tests.cli.running import rowreckon_long
from tests.sealing import sealed

from .scene import scene

SETUP = """
create table huts(id integer, name text, made timestamp, made_at timestamptz, kind land, size longer);
insert into huts select i, 'hut ' || i, now(), now() from generate_series(1, 500) i;
create sequence calls;
create function spy(integer) returns integer language plpgsql volatile as
  $$ begin perform nextval('calls'); return $1; end $$;
create function lying(integer) returns integer language plpgsql immutable as
  $$ begin perform nextval('calls'); return $1; end $$;
create function mine(integer) returns integer language sql immutable as 'select $1 + 1';
create function "lower"(land) returns text language sql immutable as $$ select 'x' $$;
create operator <<<! (leftarg = integer, rightarg = integer, function = spied);
create domain spied_number as integer check (spy(value) > 0);
"""
FIRST = """
create type land as enum ('north', 'south');
create domain longer as integer;
create sequence early;
create function spied(integer, integer) returns boolean language plpgsql volatile as
  $$ begin perform nextval('early'); return true; end $$;
"""
INDEX = "CREATE INDEX tried ON huts (({}))"
ALLOWED = ["lower(name)", "id + 1", "date_trunc('day', made)", "name || 'x'::text", "id = ANY ('{1,2}'::integer[])"]
REFUSED = {
    "spy(id)": "function spy is not immutable",
    "public.spy(id)": "function public.spy is not immutable",
    "nextval('calls')": "function nextval is not immutable",
    "random()": "function random is not immutable",
    "id <<<! 1": "operator <<<! is not immutable",
    "id OPERATOR(public.<<<!) 1": "operator public.<<<! is not immutable",
    "no_such(id)": "there is no function no_such",
    "id::spied_number": "type spied_number is a domain",
    "'1'::spied_number": "type spied_number is a domain",
    "sum(id)": "there is no function sum",
    "generate_series(1, id)": "there is no function generate_series",
    "id::no_such_type": "there is no type no_such_type",
}
OF_A_FILE = {
    "mine(id)": "function mine is not PostgreSQL's own",
    "public.mine(id)": "function public.mine is not PostgreSQL's own",
    "lying(id)": "function lying is not PostgreSQL's own",
    "kind = 'north'::land": "type land is not PostgreSQL's own",
    "size + 1": "column size has a type that is not PostgreSQL's own",
}


@pytest.fixture(scope="module")
def huts(database: str) -> Iterator[Connection]:
    """A database with functions, operators, types and a domain of its own, some of them spies."""
    with connected(database) as connection:
        for statement in (*FIRST.split(";\n"), *SETUP.split(";\n")):
            if statement.strip():
                connection.execute(statement.encode())
        yield connection


def _calls(connection: Connection) -> list[object]:
    rows = connection.execute("select is_called from calls union all select is_called from early").fetchall()
    return [row[0] for row in rows]


@pytest.mark.parametrize("from_file", [True, False], ids=["file", "own list"])
@pytest.mark.parametrize("text", ALLOWED)
def test_an_expression_of_postgresqls_own(huts: Connection, text: str, from_file: bool) -> None:
    """It is built, wherever it came from; the harmless twin of what is refused below."""
    applied = apply(huts, [INDEX.format(text)], limit_ms=10_000, built_in_only=from_file)
    huts.execute("drop index if exists tried")
    assert applied.obstacle is None


@pytest.mark.parametrize("from_file", [True, False], ids=["file", "own list"])
@pytest.mark.parametrize(
    "shape", [INDEX, "CREATE STATISTICS tried ON ({}) FROM huts", "CREATE INDEX tried ON huts (id) WHERE ({}) IS NULL"]
)
@pytest.mark.parametrize("text", REFUSED)
def test_what_is_never_called(huts: Connection, text: str, shape: str, from_file: bool) -> None:
    """Nothing is made and nothing is called."""
    applied = apply(huts, [shape.format(text), "ANALYZE huts"], limit_ms=10_000, built_in_only=from_file)
    assert applied.obstacle is not None
    expected = REFUSED[text]
    assert expected in applied.obstacle or (from_file and "not PostgreSQL's own" in applied.obstacle)
    assert _calls(huts) == [False, False]
    assert huts.execute("select from pg_class where relname = 'tried'").fetchall() == []


STABLE = ["to_char(made, 'YYYY')", "made_at::date", "date_part('hour', made_at)", "made_at > made"]


@pytest.mark.parametrize("text", STABLE)
def test_what_is_stable_serves_statistics_alone(huts: Connection, text: str) -> None:
    """The server takes it for statistics, not for an index; a file may call only what has an immutable form."""
    statistics = (f"CREATE STATISTICS tried ON ({text}) FROM huts", "ANALYZE huts")
    built = apply(huts, [INDEX.format(text)], limit_ms=10_000)
    _, of_a_file = permitted(huts, statistics, built_in_only=True)
    gathered = apply(huts, statistics, limit_ms=10_000)
    kept = huts.execute("select count(*) from pg_stats_ext_exprs where statistics_name = 'tried'").fetchone()
    huts.execute("drop statistics if exists tried")

    assert "immutable" in str(built.obstacle).lower()
    assert (of_a_file is not None) == text.startswith("to_char")
    assert (gathered.obstacle, kept) == (None, (1,))


@pytest.mark.parametrize("text", OF_A_FILE)
def test_what_a_file_may_not_call(huts: Connection, text: str) -> None:
    """The database's own immutable functions serve a list that was just swept, and no file."""
    _, reason = permitted(huts, [INDEX.format(text)], built_in_only=True)
    assert reason is not None
    assert OF_A_FILE[text] in reason
    if text not in ("lying(id)",):
        applied = apply(huts, [INDEX.format(text)], limit_ms=10_000, built_in_only=False)
        huts.execute("drop index if exists tried")
        assert applied.obstacle is None
    assert _calls(huts) == [False, False]


def test_a_namesake_of_other_types_is_no_obstacle(huts: Connection) -> None:
    """lower(land) of the database's own is out of reach of an expression over PostgreSQL's types."""
    _, reason = permitted(huts, [INDEX.format("lower(name)")], built_in_only=True)
    assert reason is None
    huts.execute("create function \"upper\"(text) returns text language sql volatile as 'select $1'")
    _, reason = permitted(huts, [INDEX.format("upper(name)")], built_in_only=True)
    huts.execute('drop function public."upper"(text)')
    assert reason is not None


@pytest.mark.parametrize(
    "statements",
    [
        ["DROP TABLE huts"],
        ["ANALYZE huts; DROP TABLE huts"],
        ["ANALYZE huts", "DROP TABLE huts"],
        ["ALTER FUNCTION mine(integer) ROWS 1; DROP TABLE huts; --) ROWS 1"],
        ["DROP STATISTICS huts"],
        ["SET plan_cache_mode = force_custom_plan"],
        ["COPY huts TO PROGRAM 'true'"],
        ["CREATE INDEX tried ON huts (id) TABLESPACE pg_default"],
        ["CREATE INDEX tried ON huts (name text_pattern_ops)"],
    ],
)
def test_other_statements_are_not_sent(huts: Connection, statements: list[str]) -> None:
    """One statement that is no change of a remedy's keeps all from being sent."""
    before = huts.execute(
        "select last_analyze, count(*) from pg_stat_user_tables, huts where relname = 'huts' group by 1"
    )
    known = before.fetchall()
    applied = apply(huts, statements, limit_ms=10_000)
    assert applied.obstacle is not None
    assert applied.obstacle.startswith("it is not sent to the server: ")
    after = huts.execute(
        "select last_analyze, count(*) from pg_stat_user_tables, huts where relname = 'huts' group by 1"
    )
    assert after.fetchall() == known


@pytest.mark.parametrize(
    "arguments",
    [
        "integer) ROWS 7; DROP TABLE canary; --",
        "integer) ROWS 7; DROP TABLE canary; ALTER FUNCTION visits_of(integer",
    ],
)
def test_a_tampered_capture(server: str, tmp_path: Path, arguments: str) -> None:
    """A function's argument types in a capture file are no SQL: nothing is dropped, and the report says why not."""
    with scene(server, tmp_path, name="tampered", faults=("function_few_rows",)) as made:
        with made.connect() as connection:
            connection.execute("create table canary(id integer)")
            connection.execute("grant all on canary to public")
        folder = tmp_path / "captures"
        swept = rowreckon_long("sweep", str(made.queries), "--dsn", made.dsn, "--save", str(folder), "--allow-volatile")
        out, err = swept.stdout, swept.stderr
        assert swept.returncode in (0, 2), (out, err)
        (file,) = folder.glob("*.capture.json")
        document = json.loads(file.read_text())
        (function,) = [f for f in document["catalog"]["functions"] if f["returns_set"]]
        function["arguments"] = arguments
        file.write_text(sealed(document))
        report = tmp_path / "r.json"
        trial = rowreckon_long(
            *made.arguments(
                "--in-place", "--yes", "--allow-volatile", "--captures", str(folder), "--report", str(report)
            )
        )
        out, err = trial.stdout, trial.stderr
        with psycopg.connect(made.dsn) as connection:
            assert connection.execute("select to_regclass('canary')::text").fetchone() == ("canary",)
        audit = json.loads(report.read_text())
        (remedy,) = [r for r in audit["remedies"] if "returns about" in r["reason"]]
        assert remedy["sql"] == []
        assert any("the function's argument types can't be read" in c for c in remedy["cautions"])
        assert audit["trials"]["not_tried"], (out, err)
