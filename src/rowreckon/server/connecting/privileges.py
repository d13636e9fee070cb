"""Roles whose rights no guard of this tool can bound, and the SQL of a role that is enough.

For a superuser, or a member of the roles that run programs, reach files and end sessions, what a query sets off is not
held in by rights: such a session needs somebody's word.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import psycopg
from psycopg import sql

from rowreckon.errors import StatementFailed, StatementRefused
from rowreckon.server.connecting.connection import Connection, first_line, place
from rowreckon.server.connecting.neutral import neutral_path

_MEMBERSHIPS: Final = (
    "pg_execute_server_program",
    "pg_read_server_files",
    "pg_write_server_files",
    "pg_signal_backend",
)
# the role that connected: whatever role is taken on in between, a function can go back to it
_PRIVILEGES: Final = """
select case when r.rolname = session_user and r.rolsuper then 'a superuser'
  when r.rolname = session_user and r.rolbypassrls then 'exempt from row security (BYPASSRLS)'
  when r.rolname = any(%s) then 'a member of ' || r.rolname
  when r.rolsuper then 'a member of ' || quote_ident(r.rolname) || ', a superuser'
  else 'a member of ' || quote_ident(r.rolname) || ', which has BYPASSRLS' end
from pg_roles r
where (r.rolname = session_user and (r.rolsuper or r.rolbypassrls))
  or ((r.rolsuper or r.rolbypassrls or r.rolname = any(%s)) and pg_has_role(session_user, r.oid, 'member')
    and not exists (select from pg_roles s where s.rolname = session_user and s.rolsuper))
order by r.rolname <> session_user, r.rolname
"""
_SCHEMAS: Final = """
select distinct n.nspname from pg_class c join pg_namespace n on n.oid = c.relnamespace
where c.relkind in ('r', 'p', 'v', 'm') and n.nspname !~ '^pg_' and n.nspname <> 'information_schema' order by 1
"""
_ROLE: Final = sql.Identifier("plan_reader")


def privileges(connection: Connection) -> tuple[str, ...]:
    """What this session's role may do beyond reading and writing rows, in words; none for a plain role. Raises
    psycopg.Error."""
    roles = list(_MEMBERSHIPS)
    with connection.transaction(force_rollback=True), neutral_path(connection):
        return tuple(str(what) for (what,) in connection.execute(_PRIVILEGES.encode(), (roles, roles)).fetchall())


def require_plain_role(connection: Connection, *, allowed: bool, confirm: Callable[[str], bool] | None) -> None:
    """Nothing where the role is a plain one or somebody gives their word; else raises StatementRefused."""
    try:
        found = privileges(connection)
    except psycopg.Error as error:
        raise StatementFailed(f"the server did not answer: {first_line(error)}", sqlstate=error.sqlstate) from None
    if not found or allowed:
        return
    who = f"the role of {place(connection)} is {' and '.join(found)}"
    if confirm is None:
        raise StatementRefused(
            f"{who}: nothing bounds its queries, and nobody can be asked",
            hint="connect as a plain role (see `rowreckon check`), or give --allow-privileged-role",
        )
    if not confirm(f"{who}: nothing bounds what a query may do. Go on?"):
        raise StatementRefused("nothing was executed", hint="connect as a plain role: `rowreckon check` writes its SQL")


def role_that_is_enough(connection: Connection) -> tuple[str, ...]:
    """Statements that make a role with which a sweep and an audit do all they can. Raises psycopg.Error."""
    with connection.transaction(force_rollback=True), neutral_path(connection):
        schemas = [str(name) for (name,) in connection.execute(_SCHEMAS.encode()).fetchall()]
    database = sql.Identifier(connection.info.dbname)
    statements = [
        sql.SQL("CREATE ROLE {} LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOBYPASSRLS").format(_ROLE),
        sql.SQL("ALTER ROLE {} SET default_transaction_read_only = on").format(_ROLE),
        sql.SQL("GRANT CONNECT ON DATABASE {} TO {}").format(database, _ROLE),
    ]
    for schema in map(sql.Identifier, schemas):
        statements.append(sql.SQL("GRANT USAGE ON SCHEMA {} TO {}").format(schema, _ROLE))
        statements.append(sql.SQL("GRANT SELECT ON ALL TABLES IN SCHEMA {} TO {}").format(schema, _ROLE))
    return tuple(f"{statement.as_string(connection)};" for statement in statements)
