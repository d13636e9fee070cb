"""A database with a seeded fault in it, and sessions on it as the fault wants them."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Any

import psycopg
from psycopg import sql

from tests.servers.databases import fresh_database, run_script

from .measuring import Seen, explained
from .model import Fault, Place, Trap


@contextlib.contextmanager
def seeded(server: str, case: Fault | Trap) -> Iterator[str]:
    """DSN of a database that holds the case; the role that it makes goes with it."""
    role = case.role if isinstance(case, Fault) else None
    try:
        with fresh_database(server, prefix="second_faults") as dsn:
            run_script(dsn, case.schema)
            yield dsn
    finally:
        if role is not None:
            with psycopg.connect(server, autocommit=True) as admin:
                admin.execute(sql.SQL("drop role if exists {}").format(sql.Identifier(role)))


def before(dsn: str, case: Fault | Trap) -> Seen:
    """What the query shows while nothing was changed."""
    return after(dsn, case, ())


def after(
    dsn: str, case: Fault | Trap, statements: tuple[str, ...], *, query: str | None = None, place: Place | None = None
) -> Seen:
    """What it shows in a session in which these statements were run first, as superuser.

    Raises psycopg.Error where one of them fails.
    """
    with psycopg.connect(dsn, autocommit=True) as connection:
        for statement in (*case.prelude, *statements):
            connection.execute(statement.encode())
        _take_on(connection, case)
        return explained(connection, query or case.query, place or case.place)


def _take_on(connection: psycopg.Connection[Any], case: Fault | Trap) -> None:
    if isinstance(case, Fault) and case.role is not None:
        connection.execute(sql.SQL("set role {}").format(sql.Identifier(case.role)))
