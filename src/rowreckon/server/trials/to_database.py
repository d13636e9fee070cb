"""Connecting to another database of the same server."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from psycopg.conninfo import make_conninfo

from rowreckon.server.connecting.connection import Connection, connected, keep_open
from rowreckon.server.trials.copies import ConnectTo


def connector_to(dsn: str) -> ConnectTo:
    """A function that connects to a database by its name with everything else from the DSN; None: as the DSN says.

    A connection of a trial waits while changes are made over another, and stays open meanwhile.
    """

    @contextmanager
    def connect(database: str | None) -> Iterator[Connection]:
        with connected(dsn if database is None else make_conninfo(dsn, dbname=database)) as connection:
            keep_open(connection)
            yield connection

    return connect
