"""`rowreckon sweep`, `check`, `ask` and `audit --dsn` as a person uses them, against a real server."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from datetime import datetime
from pathlib import Path
from typing import Any

import psycopg
import pytest
from psycopg.conninfo import conninfo_to_dict

from rowreckon.captures.capture_file import read_written
from tests.cli.running import as_superuser, rowreckon
from tests.reading.psql import psql_program
from tests.server.huts import MISESTIMATED, NEVER_ENDING
from tests.waiting import turns

LIST = f"""-- name: bookings of a city
{MISESTIMATED};
-- name: by hut
select * from bookings b join huts h on h.id = b.hut_id where h.id = $1 and b.booked_on >= $2;
-- name: wrong
select nothing from huts;
"""


@pytest.fixture
def queries(tmp_path: Path) -> Path:
    path = tmp_path / "huts.sql"
    path.write_text(LIST)
    (tmp_path / "huts.toml").write_text('["by hut"]\nlow = [17, 2026-02-01]\nhigh = ["1999", 2026-08-01]\n')
    return path


def run_json(*arguments: str, status: int = 0, **environment: str) -> dict[str, Any]:
    done = rowreckon(*arguments, "--format", "json", **environment)
    assert done.returncode == status, done.stderr
    document: dict[str, Any] = json.loads(done.stdout)
    return document


def without_source(document: dict[str, Any]) -> list[dict[str, Any]]:
    return sorted(
        ({k: v for k, v in plan.items() if k != "source"} for plan in document["plans"]), key=lambda p: json.dumps(p)
    )


def test_captures_audit_offline_to_the_same_verdicts(huts: str, queries: Path, tmp_path: Path) -> None:
    """Each plan of the saved folder is audited to the same document, key for key; a verdict for each parameter set."""
    folder = tmp_path / "captures"
    live = run_json("sweep", str(queries), "--dsn", huts, "--save", str(folder), status=2)
    offline = run_json("audit", str(folder), status=2)  # one query failed, here as there

    assert [p["source"] for p in live["plans"]] == ["bookings of a city", "by hut [low]", "by hut [high]", "wrong"]
    assert [p["outcome"] for p in live["plans"]] == ["ran", "ran", "ran", "failed"]
    assert live["plans"][1]["query"].endswith("b.booked_on >= $2")
    assert live["plans"][3]["sqlstate"] == "42703"
    assert live["plans"][3]["line"] == 6
    assert without_source(offline) == without_source(live)
    assert any(c["basis_at_estimate"] == "planner" for c in offline["plans"][0]["joins"][0]["costs"].values())


def test_resume_runs_only_what_is_left(huts: str, queries: Path, tmp_path: Path) -> None:
    """A query whose capture is there is not run again; a changed one is."""
    folder = tmp_path / "captures"
    first = run_json("sweep", str(queries), "--dsn", huts, "--save", str(folder), status=2)
    at = {path.name: path.stat().st_mtime_ns for path in folder.iterdir()}
    queries.write_text(LIST.replace("select nothing from huts", "select name from huts"))
    stamp = read_written(folder / "wrong.capture.json")[0].captured_at
    again = run_json("sweep", str(queries), "--dsn", huts, "--save", str(folder), "--resume")

    assert again["plans"][:3] == first["plans"][:3]
    assert again["plans"][3]["outcome"] == "ran"
    assert read_written(folder / "wrong.capture.json")[0].captured_at != stamp or len(at) == 4
    assert rowreckon("sweep", str(queries), "--dsn", huts, "--resume").returncode == 2


def test_masked_captures_hold_no_literal(huts: str, queries: Path, tmp_path: Path) -> None:
    """With --mask neither captures nor report repeat a literal of the list."""
    folder = tmp_path / "captures"
    done = rowreckon(
        "sweep", str(queries), "--dsn", huts, "--save", str(folder), "--mask", "--report", str(tmp_path / "r.html")
    )
    texts = [done.stdout, done.stderr, (tmp_path / "r.html").read_text(), *(p.read_text() for p in folder.iterdir())]
    assert done.returncode == 2, done.stderr  # one query of the list fails
    for text in texts:
        assert "land 3" not in text
        assert "city 3" not in text


def test_no_dsn_means_the_environment(huts: str, queries: Path) -> None:
    """PG* variables do where --dsn is left out, as with every client of libpq."""
    parts = conninfo_to_dict(huts)
    names = {"host": "PGHOST", "port": "PGPORT", "user": "PGUSER", "dbname": "PGDATABASE"}
    environment = {names[k]: str(v) for k, v in parts.items() if k in names}
    assert run_json("sweep", str(queries), status=2, **environment)["plans"][0]["outcome"] == "ran"


def test_role_and_settings(huts: str, tmp_path: Path) -> None:
    """--role and --set are in force for each query, recorded, and a guard of the tool can't be set."""
    path = tmp_path / "q.sql"
    path.write_text("select current_user, count(*) from huts")
    with psycopg.connect(huts, autocommit=True) as owner:
        owner.execute("do $$ begin create role warden; exception when duplicate_object then null; end $$")
        owner.execute("grant select on huts to warden")
    (plan,) = run_json("sweep", str(path), "--dsn", huts, "--role", "warden", "--set", "work_mem=9MB")["plans"]
    assert plan["session"]["role"] == "warden"
    assert plan["session"]["settings"]["work_mem"] == "9MB"
    refused = rowreckon("sweep", str(path), "--dsn", huts, "--set", "statement_timeout=0")
    assert refused.returncode == 2
    assert "guard" in refused.stderr


def test_check_says_what_would_run(huts: str, queries: Path) -> None:
    """Kinds, outlooks and SQLSTATEs of every query; rights and sizes; and nothing was run."""
    queries.write_text(LIST + "-- name: gone\ndelete from bookings;\n-- name: meta\n\\dt\n")
    done = rowreckon("check", str(queries), "--dsn", huts)
    assert done.returncode == 0, done.stderr
    for said in (
        "on this machine",
        "by hut [low] (line 4, query): would run",
        "SQLSTATE 42703",
        "gone (line 8, write): refused: DELETE changes rows",
        "is a command of psql",
        "public.bookings",
        "work_mem",
    ):
        assert said in done.stdout
    permitted = rowreckon("check", str(queries), "--dsn", huts, "--allow-writes").stdout
    assert "gone (line 8, write): would run, then be rolled back" in permitted


def explained(dsn: str, query: str) -> str:
    with psycopg.connect(dsn) as connection:
        row = connection.execute(
            f"explain (analyze, verbose, buffers, settings, format json) {query}".encode()
        ).fetchone()
    assert row is not None
    return json.dumps(row[0])


def test_a_pasted_plan_gets_the_servers_facts(huts: str, tmp_path: Path) -> None:
    """`audit --dsn` decides what the plan alone may not; with the query the planner itself is asked."""
    plan = tmp_path / "plan.json"
    plan.write_text(explained(huts, MISESTIMATED))
    query = tmp_path / "q.sql"
    query.write_text(MISESTIMATED)
    (known,) = run_json("audit", str(plan), "--dsn", huts)["plans"]
    (asked,) = run_json("audit", str(plan), "--dsn", huts, "--query", str(query))["plans"]

    assert known["joins"][0]["basis"] == "catalog"
    assert known["notes"] == []
    told = {m for m, c in asked["joins"][0]["costs"].items() if c["basis_at_estimate"] == "planner"}
    assert "hash" in told
    assert rowreckon("audit", str(plan), "--query", str(query)).returncode == 2


def test_a_query_that_may_not_be_planned_keeps_the_facts(huts: str, tmp_path: Path) -> None:
    """Only the question to the planner is dropped; the report says so, and the exit status."""
    plan, query = tmp_path / "plan.json", tmp_path / "q.sql"
    plan.write_text(explained(huts, MISESTIMATED))
    query.write_text("vacuum")
    done = rowreckon("audit", str(plan), "--dsn", huts, "--query", str(query), "--format", "json")
    (kept,) = json.loads(done.stdout)["plans"]

    assert done.returncode == 2
    assert "could not be asked about other join methods" in done.stderr
    assert any("could not be asked about other join methods" in note for note in kept["notes"])
    assert kept["joins"][0]["basis"] == "catalog"


def test_a_pasted_plan_says_where_its_facts_are_from(huts: str, tmp_path: Path) -> None:
    """The minor release and the database as the server itself tells them, and when they were read."""
    plan = tmp_path / "plan.json"
    plan.write_text(explained(huts, MISESTIMATED))
    (known,) = run_json("audit", str(plan), "--dsn", huts)["plans"]
    with psycopg.connect(huts) as connection:
        version, database, now = connection.execute(
            "select current_setting('server_version_num')::int, current_database()::text, now()"
        ).fetchone() or (0, "", None)
    read_at = datetime.fromisoformat(known["facts_read_at"])

    assert known["server_version"] == version
    assert known["session"]["database"] == database
    assert now is not None
    assert read_at <= now
    assert known["captured_at"] is None


def test_costs_that_disagree_with_todays_facts_are_said(huts: str, tmp_path: Path) -> None:
    """After the table has grown the plan's printed cost is no longer what the facts give."""
    with psycopg.connect(huts, autocommit=True) as owner:
        owner.execute("create table old(a int); insert into old select generate_series(1, 1000); analyze old")
        plan = tmp_path / "plan.json"
        plan.write_text(explained(huts, "select * from old where a > 10"))
        owner.execute("insert into old select generate_series(1, 9000); analyze old")
    (found,) = run_json("audit", str(plan), "--dsn", huts)["plans"]
    assert any("public.old" in note and "today" in note for note in found["notes"])


def test_ask_and_facts_replace_a_connection(huts: str, tmp_path: Path) -> None:
    """The script's output, read back, decides as the live server does."""
    plan = tmp_path / "plan.json"
    plan.write_text(explained(huts, MISESTIMATED))
    script, answer = tmp_path / "ask.sql", tmp_path / "answer.txt"
    assert rowreckon("ask", str(plan), "-o", str(script)).returncode == 0
    subprocess.run([psql_program(), "-X", "-d", huts, "-f", str(script), "-o", str(answer)], check=True)
    (live,) = run_json("audit", str(plan), "--dsn", huts)["plans"]
    (told,) = run_json("audit", str(plan), "--facts", str(answer))["plans"]
    assert told["joins"] == live["joins"]
    other = tmp_path / "other.json"
    other.write_text(explained(huts, "select * from huts"))
    wrong = rowreckon("audit", str(other), "--facts", str(answer))
    assert wrong.returncode == 2
    assert "other tables" in wrong.stderr


def test_ctrl_c_writes_the_report(huts: str, tmp_path: Path) -> None:
    """SIGINT: exit status 130, the report of what is done, nothing left running on the server."""
    path = tmp_path / "q.sql"
    path.write_text(f"-- name: quick\nselect count(*) from huts;\n-- name: endless\n{NEVER_ENDING};\nselect 3")
    report = tmp_path / "r.json"
    arguments = as_superuser(["sweep", str(path), "--dsn", huts, "--report", str(report)])
    process = subprocess.Popen(
        [sys.executable, "-m", "rowreckon", *arguments],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        # as from a terminal: a shell in the background may have left SIGINT ignored
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )  # fmt: skip
    with psycopg.connect(huts, autocommit=True) as other:
        running = (
            "select count(*) from pg_stat_activity where query like 'EXPLAIN%ANALYZE%bookings c%' and state = 'active'"
            " and pid <> pg_backend_pid() and backend_type = 'client backend'"
        )
        wait_until(other, running, 1)
        os.kill(process.pid, signal.SIGINT)
        _, errors = process.communicate(timeout=60)
        wait_until(other, running, 0)
    assert process.returncode == 130, errors
    assert [p["outcome"] for p in json.loads(report.read_text())["plans"]] == ["ran", "skipped", "skipped"]
    assert "Traceback" not in errors


def wait_until(connection: psycopg.Connection[Any], query: str, value: int) -> None:
    for _ in turns(query):
        if connection.execute(query.encode()).fetchone() == (value,):
            return
