"""What --resume takes for done, and what a sweep does when the server ends its session."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

import psycopg
import pytest
from psycopg.conninfo import make_conninfo

from rowreckon.captures.capture_file import read_written, write_capture
from rowreckon.server.connecting.connection import Connection, connected
from rowreckon.server.lists.querylist import read_query_list
from rowreckon.server.sweeping.measure import SweepRules
from rowreckon.server.sweeping.sweep import sweep
from tests.cli.running import rowreckon
from tests.servers.databases import fresh_database, run_script

QUERIES = "-- name: all\nselect * from huts;\n-- name: few\nselect * from huts where id < $1;\n"
SCHEMA = (
    "create table huts (id int primary key, name text); insert into huts select i, 'hut' from generate_series(1, 50) i"
)


@pytest.fixture
def queries(tmp_path: Path) -> Path:
    path = tmp_path / "huts.sql"
    path.write_text(QUERIES)
    (tmp_path / "huts.toml").write_text('["few"]\nlow = [17]\n')
    return path


def test_resume_takes_only_what_was_made_here_and_so(server: str, queries: Path, tmp_path: Path) -> None:
    """Each difference is named, and the query run anew; with none of them nothing is run."""
    folder = tmp_path / "captures"
    with fresh_database(server) as first, fresh_database(server) as second:
        for dsn in (first, second):
            run_script(dsn, SCHEMA)
        with psycopg.connect(first, autocommit=True) as owner:
            owner.execute("do $$ begin create role hut_guest login; exception when duplicate_object then null; end $$")
            owner.execute("grant select on huts to hut_guest")

        def said(*options: str, dsn: str = first) -> str:
            done = rowreckon("sweep", str(queries), "--dsn", dsn, "--save", str(folder), "--resume", *options)
            assert done.returncode == 0, done.stderr
            return done.stderr

        assert "anew" not in said()
        assert "2 queries were not run again" in said()
        assert "with other settings" in said("--set", "work_mem=9MB")
        assert "with other settings" in said()
        assert "with other time limits" in said("--time-limit", "30s")
        assert "with another database" in said("--time-limit", "30s", dsn=second)
        assert "with another database" in said()
        assert "with another role" in said(dsn=make_conninfo(first, user="hut_guest"))
        assert "anew" in said()
        assert "2 queries were not run again" in said()
        queries.with_suffix(".toml").write_text('["few"]\nlow = [18]\n')
        assert "1 query is run anew" in said()
        for file in folder.iterdir():
            capture, _ = read_written(file)
            assert capture.session is not None
            old = capture.model_copy(update={"session": capture.session.model_copy(update={"run": None})})
            write_capture(old, file)
        assert "does not say where" in said()


def test_resume_takes_no_file_that_was_altered(server: str, queries: Path, tmp_path: Path) -> None:
    """A changed row count, or nothing that tells of changes: run anew. Another layout of the text changes nothing."""
    folder = tmp_path / "captures"
    file = folder / "all.capture.json"
    with fresh_database(server) as dsn:
        run_script(dsn, SCHEMA)

        def said() -> str:
            done = rowreckon("sweep", str(queries), "--dsn", dsn, "--save", str(folder), "--resume")
            assert done.returncode == 0, done.stderr
            return done.stderr

        said()
        document = json.loads(file.read_text())
        file.write_text(json.dumps(document))
        assert "2 queries were not run again" in said()
        document["explain"][0]["Plan"]["Plan Rows"] += 1
        file.write_text(json.dumps(document))
        assert "1 query is run anew, though a capture is there: its file was altered" in said()
        assert "2 queries were not run again" in said()
        document = json.loads(file.read_text())
        del document["digest"]
        file.write_text(json.dumps(document))
        assert "does not tell whether it was altered" in said()


def test_a_session_ended_for_being_idle_is_made_anew(server: str) -> None:
    """idle_session_timeout strikes between two queries (it came with 14): all queries run."""
    with fresh_database(server) as dsn:
        run_script(dsn, SCHEMA)
        with psycopg.connect(dsn, autocommit=True) as owner:
            if owner.info.server_version < 140000:
                pytest.skip("there is no such time-out before 14")
            owner.execute(f"alter database {owner.info.dbname} set idle_session_timeout = '200ms'".encode())
        items = read_query_list("-- name: a\nselect 1;\n-- name: b\nselect * from huts;\n-- name: c\nselect 3;")
        found = sweep(lambda: connected(dsn), items, SweepRules(), progress=lambda *_: time.sleep(0.6))
    assert [capture.outcome for capture in found.captures] == ["ran", "ran", "ran"]
    assert all(capture.catalog is not None for capture in found.captures)
    assert any("while it was idle; it was made anew" in note for note in found.notes)


def test_a_server_that_is_gone_is_said(server: str) -> None:
    """Every session ended and no new one let in: the rest is named as not run."""
    with fresh_database(server) as dsn:
        run_script(dsn, SCHEMA)
        connect: Callable[[], AbstractContextManager[Connection]] = lambda: connected(dsn)  # noqa: E731
        gone = False

        def end(step: str, done: int, total: int) -> None:
            nonlocal gone
            if done == 1 and not gone:
                gone = True
                with psycopg.connect(make_conninfo(server, dbname="postgres"), autocommit=True) as admin:
                    name = psycopg.conninfo.conninfo_to_dict(dsn)["dbname"]
                    admin.execute(f"alter database {name} allow_connections false".encode())
                    admin.execute("select pg_terminate_backend(pid) from pg_stat_activity where datname = %s", (name,))

        items = read_query_list("-- name: a\nselect 1;\n-- name: b\nselect 2;\n-- name: c\nselect 3;")
        found = sweep(connect, items, SweepRules(), progress=end)
    first, second, third = found.captures
    assert (first.outcome, third.outcome) == ("ran", "skipped")
    assert second.outcome in ("failed", "skipped")  # as the end of its session comes while it runs or before
    assert "could not be made anew" in " ".join(found.notes)
    assert third.reason == "the connection to the server was lost before its turn"
