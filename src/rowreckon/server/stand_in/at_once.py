"""Many statements to a stand-in in one transaction, sent without waiting for each one's answer."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Final, TypeVar

import psycopg
from psycopg import sql

from rowreckon.server.connecting.connection import Connection

_MOST: Final = 500
"""Statements of one transaction: each holds its locks until the end."""
_Item = TypeVar("_Item")


def all_at_once(
    connection: Connection, statements: Iterable[tuple[bytes | sql.Composed, Sequence[Any] | None]]
) -> bool:
    """Run the statements; whether all were run, else none has been."""
    try:
        with connection.transaction():
            with connection.pipeline():
                done = _sent(connection, statements)
            if not done:
                raise psycopg.Rollback
    except psycopg.Error:
        return False
    return done


def _sent(connection: Connection, statements: Iterable[tuple[bytes | sql.Composed, Sequence[Any] | None]]) -> bool:
    """Whether all were sent; an error goes no further, since psycopg prints one that leaves a pipeline."""
    try:
        for statement, parameters in statements:
            connection.execute(statement, parameters, binary=True)
    except psycopg.Error:
        return False
    return True


def in_batches(items: Sequence[_Item]) -> Iterator[Sequence[_Item]]:
    """The items in their order, as many together as go into one transaction."""
    for start in range(0, len(items), _MOST):
        yield items[start : start + _MOST]
