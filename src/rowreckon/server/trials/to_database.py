"""Connecting to another database of the same server."""

from __future__ import annotations

from contextlib import AbstractContextManager

from psycopg.conninfo import make_conninfo

from ..connection import Connection, connected
from .copies import ConnectTo


def connector_to(dsn: str) -> ConnectTo:
    """A function that connects to a database by its name with everything else from the DSN; None: as the DSN says."""

    def connect(database: str | None) -> AbstractContextManager[Connection]:
        return connected(dsn if database is None else make_conninfo(dsn, dbname=database))

    return connect
