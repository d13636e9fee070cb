"""A database with a seeded fault in it, and sessions on it as the fault wants them."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Any

import psycopg
from psycopg import sql

from rowreckon.sql.statements import pieces
from tests.servers.databases import fresh_database

from .measuring import Seen, explained
from .model import Fault, Place, Trap


@contextlib.contextmanager
def seeded(server: str, case: Fault | Trap) -> Iterator[str]:
    """DSN of a database that holds the case; the role that it makes goes with the last that knows it."""
    role = case.role if isinstance(case, Fault) else None
    try:
        with fresh_database(server, prefix="second_faults") as dsn:
            _filled(dsn, case.schema)
            yield dsn
    finally:
        if role is not None:
            with (
                psycopg.connect(server, autocommit=True) as admin,
                contextlib.suppress(psycopg.errors.DependentObjectsStillExist),
            ):
                admin.execute(sql.SQL("drop role if exists {}").format(sql.Identifier(role)))


def before(dsn: str, case: Fault | Trap) -> Seen:
    """What the query shows while nothing was changed."""
    return after(dsn, case, ())


def after(
    dsn: str,
    case: Fault | Trap,
    statements: tuple[str, ...],
    *,
    query: str | None = None,
    place: Place | None = None,
    anywhere: bool = False,
) -> Seen:
    """What it shows in a session in which these statements were run first, as superuser; `anywhere` looks at no place.

    Raises psycopg.Error where one of them fails, LookupError where the plan has no such place.
    """
    with psycopg.connect(dsn, autocommit=True) as connection:
        for statement in (*case.prelude, *statements):
            connection.execute(statement.encode())
        _take_on(connection, case)
        return explained(connection, query or case.query, None if anywhere else place or case.place)


def _take_on(connection: psycopg.Connection[Any], case: Fault | Trap) -> None:
    if isinstance(case, Fault) and case.role is not None:
        connection.execute(sql.SQL("set role {}").format(sql.Identifier(case.role)))


def _filled(dsn: str, script: str) -> None:
    """Run a script statement by statement, each in its own transaction.

    What a load changed is counted before its tables are analyzed, as when time lies between them: else the server adds
    the load to the changes since ANALYZE.
    """
    with psycopg.connect(dsn, autocommit=True) as connection:
        for piece in pieces(script):
            connection.execute(b"select pg_stat_force_next_flush()")
            connection.execute(piece.text.encode())
        connection.execute(b"select pg_stat_force_next_flush()")
