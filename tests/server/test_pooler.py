"""A sweep through a transaction pooler (PgBouncer, from Debian's own package), which lends a connection for one
transaction at a time: settings, roles and prepared statements still go with their query, and nothing stays behind."""

from __future__ import annotations

import contextlib
import os
import pwd
import shutil
import socket
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import psycopg
import pytest
from psycopg.conninfo import conninfo_to_dict

from rowreckon.server.connecting.connection import connected
from rowreckon.server.connecting.permission import SafetyPermission
from rowreckon.server.executing.execute import Executor
from rowreckon.server.lists.querylist import read_query_list
from rowreckon.server.sweeping.measure import SweepRules
from rowreckon.server.sweeping.sweep import sweep
from rowreckon.sql.filling import Filling
from tests.server.huts import MISESTIMATED
from tests.waiting import turns

LIST = f"""
set work_mem = '3MB';
prepare by_hut(int) as select * from bookings where hut_id = $1;
-- name: prepared
execute by_hut(5);
-- name: misestimated
{MISESTIMATED};
-- name: failing
select nothing from huts;
-- name: setting
select current_setting('work_mem'), count(*) from huts;
"""


@pytest.fixture
def pooled(huts: str, tmp_path: Path) -> Iterator[str]:
    """DSN of the huts' database behind a pooler with a single server connection."""
    program = shutil.which("pgbouncer")
    if program is None:
        reason = "no pgbouncer on this machine: apt-get install pgbouncer"
        if os.environ.get("ROWRECKON_REQUIRE_POOLER") == "1":
            pytest.fail(reason, pytrace=False)
        pytest.skip(reason)
    parts = conninfo_to_dict(huts)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    config = tmp_path / "pooler.ini"
    config.write_text(
        f"[databases]\n{parts['dbname']} = host={parts['host']} port={parts['port']} dbname={parts['dbname']}"
        f" user={parts['user']}\n"
        f"[pgbouncer]\nlisten_addr = 127.0.0.1\nlisten_port = {port}\nunix_socket_dir =\nauth_type = any\n"
        "pool_mode = transaction\ndefault_pool_size = 1\n"
    )
    command = [program, "-q", str(config)]
    if os.geteuid() == 0:
        # it refuses to run as root; the account needs no more than the socket, which the server's own account may open
        account = pwd.getpwuid(Path(str(parts["host"])).stat().st_uid).pw_name
        tmp_path.chmod(0o755)
        command = [*command[:2], "-u", account, str(config)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        dsn = f"host=127.0.0.1 port={port} user={parts['user']} dbname={parts['dbname']}"
        for _ in turns("the pooler"):
            with contextlib.suppress(psycopg.OperationalError), psycopg.connect(dsn, connect_timeout=2):
                break
        yield dsn
    finally:
        process.terminate()
        process.wait(timeout=20)


def test_a_sweep_through_a_transaction_pooler(pooled: str) -> None:
    """Two sweeps over one lent connection, side by side with somebody's own session: all is as it is without."""
    items = read_query_list(LIST)
    with psycopg.connect(pooled, autocommit=True, prepare_threshold=None) as other:
        for _ in range(2):
            found = sweep(lambda: connected(pooled), items, SweepRules())
            assert [c.outcome for c in found.captures] == ["ran", "ran", "failed", "ran"]
            assert all(c.catalog is not None for c in found.captures if c.outcome == "ran")
            assert found.captures[1].alternatives
            assert all(c.session and c.session.settings["work_mem"] == "3MB" for c in found.captures if c.session)
            # the pool has one server connection: this is the one that the sweep was lent
            assert other.execute("show work_mem").fetchone() == ("4MB",)
            assert other.execute("select count(*) from pg_prepared_statements").fetchone() == (0,)
            assert other.execute("show statement_timeout").fetchone() == ("0",)


def test_a_temporary_table_through_a_transaction_pooler(pooled: str) -> None:
    """It is filled, analyzed and read in the transaction that the connection is lent for, and gone with it."""
    (item,) = read_query_list("select count(*) from huts_kept")
    kept = replace(item, fillings=(Filling("huts_kept", "select id from huts"),))
    with psycopg.connect(pooled, autocommit=True, prepare_threshold=None) as other:
        for _ in range(2):
            with connected(pooled) as connection:
                assert Executor(connection, SafetyPermission()).run(kept).outcome == "ran"
            assert other.execute("select to_regclass('huts_kept')").fetchone() == (None,)
            assert other.execute("show transaction_read_only").fetchone() == ("off",)
