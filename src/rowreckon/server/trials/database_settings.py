"""Giving a copy the settings that ALTER DATABASE … SET and ALTER ROLE … IN DATABASE … SET gave its source.

CREATE DATABASE does not copy them (PostgreSQL's documentation, "CREATE DATABASE", notes).
"""

from __future__ import annotations

import re

import psycopg
from psycopg import sql

from rowreckon.server.connecting.connection import Connection, first_line
from rowreckon.server.connecting.neutral import neutral_rows

# lists whose elements are kept quoted in pg_db_role_setting (GUC_LIST_QUOTE in utils/misc/guc_tables.c)
_LISTS = ("search_path", "temp_tablespaces", "local_preload_libraries", "session_preload_libraries")
_SETTINGS = """
select r.rolname, s.setconfig from pg_catalog.pg_db_role_setting s
join pg_catalog.pg_database d on d.oid = s.setdatabase left join pg_catalog.pg_roles r on r.oid = s.setrole
where d.datname = %s order by r.rolname nulls first
"""
_ELEMENT = re.compile(r'\s*(?:"((?:[^"]|"")*)"|([^,]*?))\s*(?:,|$)')


def carry_settings(connection: Connection, source: str, copy: str) -> tuple[str, ...]:
    """Give the copy its source's settings; what could not be given, a sentence each. Raises psycopg.Error."""
    failed: list[str] = []
    for role, entries in neutral_rows(connection, _SETTINGS, (source,)):
        for entry in entries:
            name, _, value = str(entry).partition("=")
            statement = sql.SQL("ALTER {} SET {} = {}").format(
                _target(role, copy), sql.SQL(".").join(map(sql.Identifier, name.split("."))), _value(name, value)
            )
            try:
                connection.execute(statement)
            except psycopg.Error as error:
                if connection.closed:
                    raise
                whose = f" of role {role}" if role else ""
                failed.append(f"the copy lacks the database's setting {name}{whose}: {first_line(error)}")
    return tuple(failed)


def _target(role: str | None, database: str) -> sql.Composable:
    if role is None:
        return sql.SQL("DATABASE {}").format(sql.Identifier(database))
    return sql.SQL("ROLE {} IN DATABASE {}").format(sql.Identifier(role), sql.Identifier(database))


def _value(name: str, value: str) -> sql.Composable:
    if name.lower() not in _LISTS:
        return sql.Literal(value)
    return sql.SQL(", ").join(map(sql.Literal, list_elements(value)))


def list_elements(value: str) -> list[str]:
    """The elements of a list as PostgreSQL keeps it: quoted where needed, separated by commas."""
    found: list[str] = []
    at = 0
    while at < len(value):
        element = _ELEMENT.match(value, at)
        assert element is not None
        quoted, plain = element.groups()
        found.append(quoted.replace('""', '"') if quoted is not None else plain)
        at = element.end()
    return found or [""]
