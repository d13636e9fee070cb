"""Secrets planted where a sweep passes by: none of them comes out anywhere."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from tests.cli.running import rowreckon
from tests.servers.databases import fresh_database, run_script

PASSWORD = "c4nary-Passw0rd"
VALUE = "Kanari-Gast"
SETTING = "c4nary-setting"
SERVICE_HOST = "c4nary-host.invalid"


@pytest.fixture(scope="module")
def house(server: str) -> Iterator[str]:
    with fresh_database(server) as dsn:
        run_script(
            dsn,
            "create table guests(id int primary key, name text);"
            f" insert into guests select i, '{VALUE}-' || i % 3 from generate_series(1, 3000) i;"
            " create table stays(guest_id int, night int);"
            " insert into stays select i % 3000, i from generate_series(1, 20000) i; analyze;",
        )
        with psycopg.connect(dsn, autocommit=True) as owner:
            owner.execute(
                f"do $$ begin execute format('alter database %I set huts.token = ''{SETTING}''', current_database());"
                " end $$"
            )
        yield dsn


def outputs(done_stdout: str, done_stderr: str, folder: Path) -> Iterator[str]:
    yield done_stdout
    yield done_stderr
    for path in folder.rglob("*"):
        if path.is_file() and path.suffix not in (".sql", ".conf"):
            yield path.read_text()


def test_no_secret_in_any_output(house: str, tmp_path: Path) -> None:
    """Password, sampled values and a custom setting of the database: in no report, capture, message or file name."""
    path = tmp_path / "q.sql"
    path.write_text(
        "-- name: stays\nselect g.id, s.night from guests g join stays s on s.guest_id = g.id where g.id % 2 = 0;\n"
        "-- name: bad\nselect 1 / (id - id) from guests;\n"
    )
    reports = [part for name in ("r.html", "r.md", "r.json", "r.xml") for part in ("--report", str(tmp_path / name))]
    dsn = make_conninfo(house, password=PASSWORD)
    for form in ("terminal", "json", "markdown"):
        done = rowreckon("sweep", str(path), "--dsn", dsn, "--save", str(tmp_path / "c"), "--format", form, *reports)
        assert done.returncode == 2, done.stderr  # one query fails on purpose
        for text in outputs(done.stdout, done.stderr, tmp_path):
            assert PASSWORD not in text
            assert VALUE not in text
            assert SETTING not in text
    check = rowreckon("check", str(path), "--dsn", dsn)
    assert check.returncode == 0
    assert not {s for s in (PASSWORD, VALUE, SETTING) if s in check.stdout + check.stderr}


def test_values_come_only_when_asked_for(house: str, tmp_path: Path) -> None:
    """--with-values keeps them: the canary is really there to be found."""
    path = tmp_path / "q.sql"
    path.write_text("-- name: stays\nselect * from guests g join stays s on s.guest_id = g.id where g.name like 'K%'")
    done = rowreckon("sweep", str(path), "--dsn", house, "--save", str(tmp_path / "c"), "--with-values")
    assert done.returncode == 0
    assert VALUE in (tmp_path / "c" / "stays.capture.json").read_text()


def test_service_files_and_passwords_stay_out_of_errors(house: str, tmp_path: Path) -> None:
    """A service file's contents and a password in the environment are used, never shown, even in errors."""
    service = tmp_path / "services.conf"
    parts = conninfo_to_dict(house)
    good = "\n".join(f"{k}={v}" for k, v in parts.items())
    service.write_text(
        f"[huts]\n{good}\npassword={PASSWORD}\n[gone]\nhost={SERVICE_HOST}\nport=1\npassword={PASSWORD}\n"
    )
    path = tmp_path / "q.sql"
    path.write_text("select 1")
    environment = {"PGSERVICEFILE": str(service), "PGPASSWORD": PASSWORD}
    done = rowreckon("sweep", str(path), "--dsn", "service=huts", **environment)
    assert done.returncode == 0, done.stderr
    gone = rowreckon("sweep", str(path), "--dsn", "service=gone connect_timeout=2", **environment)
    assert gone.returncode == 2
    for text in (done.stdout, done.stderr, gone.stdout, gone.stderr):
        assert PASSWORD not in text
        assert SERVICE_HOST not in text
        assert "Traceback" not in text
