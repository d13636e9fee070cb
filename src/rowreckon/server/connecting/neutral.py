"""Questions of this tool's own, asked so that no name in them can be taken by an object of the database.

Whatever search path is in force, for the length of a block it is PostgreSQL's own catalog first.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from typing import Any

import psycopg

from rowreckon.server.connecting.connection import Connection

# the paths are read before the other is set: the part that is materialized comes first
_ENTER = b"""
with before as materialized (
  select pg_catalog.current_setting('search_path') as path,
    pg_catalog.current_schemas(true)::pg_catalog.text[] as schemas)
select path, schemas, pg_catalog.set_config('search_path', %s, true) from before
"""
_SCHEMAS = b"select pg_catalog.current_schemas(true)::pg_catalog.text[]"
_SET = b"select pg_catalog.set_config('search_path', %s, true)"
_NEUTRAL = "pg_catalog, pg_temp"


def schemas_in_force(connection: Connection) -> tuple[str, ...]:
    """The schemas of the search path that is in force, those that no path names included. Raises psycopg.Error."""
    row = connection.execute(_SCHEMAS).fetchone()
    return tuple(str(schema) for schema in row[0]) if row else ()


@contextlib.contextmanager
def neutral_path(connection: Connection) -> Iterator[str]:
    """Within an open transaction: the catalog first for the length of the block; gives the path that was in force, and
    puts it back."""
    with _neutral(connection) as (before, _):
        yield before


@contextlib.contextmanager
def neutral_schemas(connection: Connection) -> Iterator[list[str]]:
    """The same; gives the schemas of the path that was in force, those that no path names included."""
    with _neutral(connection) as (_, schemas):
        yield schemas


@contextlib.contextmanager
def _neutral(connection: Connection) -> Iterator[tuple[str, list[str]]]:
    row = connection.execute(_ENTER, (_NEUTRAL,)).fetchone()
    before, schemas = (str(row[0]), [str(schema) for schema in row[1]]) if row else ("", [])
    try:
        yield before, schemas
    except BaseException:
        # a cancel that comes late may hit this statement: what ended the block is told all the same
        with contextlib.suppress(psycopg.Error):
            _put_back(connection, before)
        raise
    _put_back(connection, before)


def _put_back(connection: Connection, path: str) -> None:
    """After an error the transaction is rolled back, and the path with it."""
    if connection.info.transaction_status == psycopg.pq.TransactionStatus.INTRANS:
        connection.execute(_SET, (path,))


def neutral_rows(connection: Connection, query: str, given: Sequence[object] | None = None) -> list[tuple[Any, ...]]:
    """The rows of a question asked so; in a transaction of its own where none is open. Raises psycopg.Error."""
    idle = connection.info.transaction_status == psycopg.pq.TransactionStatus.IDLE
    with connection.transaction() if idle else contextlib.nullcontext(), neutral_path(connection):
        return connection.execute(query.encode(), given).fetchall()
