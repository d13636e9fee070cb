"""Copies that an earlier trial left behind, because it was killed or lost its connection."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass

import psycopg
from psycopg import sql

from ...errors import StatementFailed
from ..connection import Connection, first_line
from .names import LOCK_CLASS, PREFIX, is_marked, lock_key

_FOUND = """
select d.datname, pg_catalog.shobj_description(d.oid, 'pg_database'),
  pg_catalog.pg_has_role(d.datdba, 'usage'),
  (select count(*) from pg_catalog.pg_stat_activity a where a.datid = d.oid),
  case when pg_catalog.pg_has_role(d.datdba, 'usage') and d.datallowconn
       then pg_catalog.pg_database_size(d.oid) / 1024.0 end
from pg_catalog.pg_database d where pg_catalog.starts_with(d.datname, %s) order by d.datname
"""
_LOCKED = """
select objid::bigint from pg_catalog.pg_locks
where locktype = 'advisory' and granted and classid = %s and objsubid = 2
"""


@dataclass(frozen=True, slots=True)
class Leftover:
    """A copy without a trial: `owned` whether this role may drop it, `sessions` how many are on it."""

    name: str
    comment: str | None
    owned: bool
    sessions: int
    size_kb: float | None


def find_leftovers(connection: Connection) -> tuple[Leftover, ...]:
    """Databases that bear a copy's name and mark and that no running trial holds. Raises StatementFailed."""
    try:
        rows = connection.execute(_FOUND, (PREFIX,)).fetchall()
        held = {int(row[0]) for row in connection.execute(_LOCKED, (LOCK_CLASS,)).fetchall()}
    except psycopg.Error as error:
        raise StatementFailed(
            f"the server's databases cannot be listed: {first_line(error)}", sqlstate=error.sqlstate
        ) from None
    found = []
    for name, comment, owned, sessions, kb in rows:
        key = lock_key(name)
        if key is not None and key not in held and is_marked(comment):
            found.append(Leftover(name, comment, bool(owned), int(sessions), None if kb is None else float(kb)))
    return tuple(found)


def drop_leftover(connection: Connection, leftover: Leftover) -> str | None:
    """Drop one; why it could not be, or None. A session that somebody has on it is not ended."""
    try:
        connection.execute(sql.SQL("DROP DATABASE IF EXISTS {}").format(sql.Identifier(leftover.name)))
    except psycopg.Error as error:
        return first_line(error)
    return None


def hold(connection: Connection, name: str) -> None:
    """Let other sessions see that the copy's trial is running."""
    connection.execute("select pg_catalog.pg_advisory_lock(%s, %s)", (LOCK_CLASS, lock_key(name)))


def let_go(connection: Connection, name: str) -> None:
    """The trial is over."""
    with contextlib.suppress(psycopg.Error):
        connection.execute("select pg_catalog.pg_advisory_unlock(%s, %s)", (LOCK_CLASS, lock_key(name)))
