"""Reading what a copy of the connected database would cost, and what forbids it."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

import psycopg

from rowreckon.errors import StatementFailed, StatementRefused
from rowreckon.server.connecting.connection import Connection, first_line
from rowreckon.server.connecting.neutral import neutral_rows
from rowreckon.server.connecting.patience import limited
from rowreckon.server.connecting.whereabouts import in_recovery, on_this_machine
from rowreckon.trial.price import Price

_DATABASE = """
select d.datname, pg_catalog.pg_database_size(d.oid) / 1024.0,
  pg_catalog.pg_has_role(d.datdba, 'usage') or d.datistemplate, r.rolcreatedb or r.rolsuper,
  pg_catalog.pg_encoding_to_char(d.encoding)
from pg_catalog.pg_database d, pg_catalog.pg_roles r
where d.datname = pg_catalog.current_database() and r.rolname = session_user
"""
_SESSIONS = """
select pid, usename, application_name, state from pg_catalog.pg_stat_activity
where datid = (select oid from pg_catalog.pg_database where datname = pg_catalog.current_database())
  and pid <> pg_catalog.pg_backend_pid() and coalesce(backend_type, '') not in ('autovacuum worker', 'parallel worker')
order by backend_start
"""
_PREPARED = "select gid from pg_catalog.pg_prepared_xacts where database = pg_catalog.current_database()"
_FOREIGN = """
select distinct s.srvname from pg_catalog.pg_foreign_table t
join pg_catalog.pg_foreign_server s on s.oid = t.ftserver order by 1
"""
_TRIGGERS = "select count(*) from pg_catalog.pg_event_trigger where evtenabled <> 'D'"
_TABLESPACE = """
select pg_catalog.pg_tablespace_location(dattablespace) from pg_catalog.pg_database
where datname = pg_catalog.current_database()
"""
"""Empty for the default tablespace, which lies in the data folder."""
_LISTED = 5


def read_price(connection: Connection) -> Price:
    """The price of copies of the connection's database.

    Raises StatementRefused for a database whose texts can't be read, StatementFailed.
    """
    try:
        with limited(connection, 0):
            name, size_kb, may_copy, may_create, encoding = neutral_rows(connection, _DATABASE)[0]
        if encoding == "SQL_ASCII":
            raise StatementRefused(
                f"nothing is tried in {name}: its encoding is SQL_ASCII, so its texts are unknown",
                hint="try on a dump loaded into a UTF8 database",
            )
        obstacles = []
        if in_recovery(connection):
            obstacles.append("the server is a standby, on which nothing can be created")
        if not may_create:
            obstacles.append(f"role {connection.info.user} may not create databases (CREATEDB)")
        if not may_copy:
            obstacles.append(f"role {connection.info.user} does not own database {name}")
        return Price(
            database=str(name),
            size_kb=float(size_kb),
            sessions=other_sessions(connection),
            foreign_servers=tuple(str(r[0]) for r in neutral_rows(connection, _FOREIGN)),
            event_triggers=int(neutral_rows(connection, _TRIGGERS)[0][0]),
            obstacles=tuple(obstacles),
            free_kb=_free_kb(connection),
            here=on_this_machine(connection),
        )
    except psycopg.Error as error:
        raise StatementFailed(
            f"the price of a copy cannot be read: {first_line(error)}", sqlstate=error.sqlstate
        ) from None


def other_sessions(connection: Connection) -> tuple[str, ...]:
    """What else is on the database and so keeps it from being copied, in words. Raises psycopg.Error."""
    found = []
    for pid, user, application, state in neutral_rows(connection, _SESSIONS):
        what = ", ".join(str(part) for part in (user, application, state) if part)
        found.append(f"process {pid} ({what})" if what else f"process {pid}")
    found += [f"prepared transaction {row[0]}" for row in neutral_rows(connection, _PREPARED)]
    if len(found) > _LISTED:
        return (*found[:_LISTED], f"{len(found) - _LISTED} more")
    return tuple(found)


def _free_kb(connection: Connection) -> float | None:
    """Free space on the volume of the database's own tablespace, where a copy will lie; None where it can't be known.

    The server's folders are seen only on this machine; the one of the default tablespace is told to few roles.
    """
    if not on_this_machine(connection):
        return None
    try:
        folder = str(neutral_rows(connection, _TABLESPACE)[0][0])
        mark = "PG_VERSION" if not folder else f"PG_{connection.info.server_version // 10000}_*"
        if not folder:
            row = connection.execute(b"select pg_catalog.current_setting('data_directory')").fetchone()
            folder = str(row[0]) if row is not None else ""
    except psycopg.errors.InsufficientPrivilege:
        return None
    with contextlib.suppress(OSError):
        # what only looks like the server's folder, in a container's file system, has no mark of PostgreSQL in it
        if folder and any(Path(folder).glob(mark)):
            found = os.statvfs(folder)
            return found.f_bavail * found.f_frsize / 1024.0
    return None
