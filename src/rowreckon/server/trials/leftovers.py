"""Copies that an earlier trial left behind, because it was killed or lost its connection."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass

import psycopg
from psycopg import sql

from rowreckon.errors import StatementFailed
from rowreckon.server.connecting.connection import Connection, first_line
from rowreckon.server.connecting.neutral import neutral_rows
from rowreckon.server.connecting.patience import limited
from rowreckon.server.trials.names import LOCK_CLASS, PREFIX, is_marked, limit_of, lock_key

_OWNED = """
(d.datdba operator(pg_catalog.=) (select s.datdba from pg_catalog.pg_database s
   where s.datname operator(pg_catalog.=) pg_catalog.current_database())
 or d.datdba operator(pg_catalog.=) (select r.oid from pg_catalog.pg_roles r
   where r.rolname operator(pg_catalog.=) session_user))
and pg_catalog.pg_has_role(d.datdba, 'usage')
"""
"""Whether a database belongs to the owner of the one that this session is on, as its copies do, or to this role."""
_FOUND = f"""
select d.datname, pg_catalog.shobj_description(d.oid, 'pg_database'), {_OWNED},
  (select count(*) from pg_catalog.pg_stat_activity a where a.datid = d.oid),
  case when pg_catalog.pg_has_role(d.datdba, 'usage') and d.datallowconn
       then pg_catalog.pg_database_size(d.oid) / 1024.0 end, d.oid::bigint, d.datconnlimit
from pg_catalog.pg_database d where pg_catalog.starts_with(d.datname, %s) order by d.datname
"""
# in one statement whatever the search path, so that a copy that was just made is marked as soon as can be
_ONE = f"""
select d.oid::pg_catalog.int8, pg_catalog.shobj_description(d.oid, 'pg_database'), {_OWNED}, d.datconnlimit
from pg_catalog.pg_database d where d.datname operator(pg_catalog.=) %s::pg_catalog.name
"""
_LOCKED = """
select objid::bigint from pg_catalog.pg_locks
where locktype = 'advisory' and granted and classid = %s and objsubid = 2
"""


@dataclass(frozen=True, slots=True)
class Leftover:
    """A copy without a trial: `marked` by its comment or its connection limit, `owned` as a copy would be and by a role
    that this one may act for, `sessions` how many are on it. Only one that is marked and owned is ever dropped."""

    name: str
    comment: str | None
    owned: bool
    sessions: int
    size_kb: float | None
    oid: int = 0
    limit: int = -1

    @property
    def marked(self) -> bool:
        """Whether it bears the mark of a trial's copy."""
        return is_marked(self.comment) or self.limit == limit_of(self.name)


def find_leftovers(connection: Connection) -> tuple[Leftover, ...]:
    """Databases that bear a copy's name and that no running trial holds. Raises StatementFailed."""
    try:
        with limited(connection, 0):
            rows = neutral_rows(connection, _FOUND, (PREFIX,))
        held = {int(row[0]) for row in neutral_rows(connection, _LOCKED, (LOCK_CLASS,))}
    except psycopg.Error as error:
        raise StatementFailed(
            f"the server's databases cannot be listed: {first_line(error)}", sqlstate=error.sqlstate
        ) from None
    found = []
    for name, comment, owned, sessions, kb, oid, limit in rows:
        key = lock_key(name)
        if key is not None and key not in held:
            size = None if kb is None else float(kb)
            found.append(Leftover(name, comment, bool(owned), int(sessions), size, int(oid), int(limit)))
    return tuple(found)


def drop_leftover(connection: Connection, leftover: Leftover) -> str | None:
    """Drop one; why it was not, or None. A session that somebody has on it is not ended.

    Its mark, its owner and that no trial holds it are asked of the server right before.
    """
    key = lock_key(leftover.name)
    if key is None:
        return "its name is none that a copy has"
    try:
        now = state_of_database(connection, leftover.name)
        held = {int(row[0]) for row in neutral_rows(connection, _LOCKED, (LOCK_CLASS,))}
        if now is None or now.oid != leftover.oid:
            return "it is gone, or another database has its name now"
        if not (now.marked and now.owned):
            return "it does not bear the mark and the owner of a trial's copy"
        if key in held:
            return "a running trial holds it"
        with limited(connection, 0):
            connection.execute(sql.SQL("DROP DATABASE IF EXISTS {}").format(sql.Identifier(leftover.name)))
    except psycopg.Error as error:
        return first_line(error)
    return None


@dataclass(frozen=True, slots=True)
class DatabaseState:
    """A database as the server has it at this moment."""

    name: str
    oid: int
    comment: str | None
    owned: bool
    limit: int

    @property
    def marked(self) -> bool:
        """Whether it bears the mark of a trial's copy."""
        return is_marked(self.comment) or self.limit == limit_of(self.name)


def state_of_database(connection: Connection, name: str) -> DatabaseState | None:
    """Asked of the server; None where it has no database of that name. Raises psycopg.Error."""
    row = connection.execute(_ONE, (name,)).fetchone()
    return None if row is None else DatabaseState(name, int(row[0]), row[1], bool(row[2]), int(row[3]))


def hold(connection: Connection, name: str) -> None:
    """Let other sessions see that the copy's trial is running; it may have several of its own."""
    connection.execute("select pg_catalog.pg_advisory_lock_shared(%s, %s)", (LOCK_CLASS, lock_key(name)))


def let_go(connection: Connection, name: str) -> None:
    """The trial is over."""
    with contextlib.suppress(psycopg.Error):
        connection.execute("select pg_catalog.pg_advisory_unlock_shared(%s, %s)", (LOCK_CLASS, lock_key(name)))
