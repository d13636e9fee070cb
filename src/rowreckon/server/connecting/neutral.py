"""Questions of this tool's own, asked so that no name in them can be taken by an object of the database.

Whatever search path is in force, for the length of a block it is PostgreSQL's own catalog first.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

import psycopg

from rowreckon.server.connecting.connection import Connection

_PATH = b"select pg_catalog.current_setting('search_path')"
_SET = b"select pg_catalog.set_config('search_path', %s, true)"
_NEUTRAL = "pg_catalog, pg_temp"


@contextlib.contextmanager
def neutral_path(connection: Connection) -> Iterator[str]:
    """Within an open transaction: the catalog first for the length of the block; gives the path that was in force, and
    puts it back."""
    row = connection.execute(_PATH).fetchone()
    before = str(row[0]) if row else ""
    connection.execute(_SET, (_NEUTRAL,))
    try:
        yield before
    finally:
        # after an error the transaction is rolled back, and the path with it
        if connection.info.transaction_status == psycopg.pq.TransactionStatus.INTRANS:
            connection.execute(_SET, (before,))
