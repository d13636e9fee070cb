"""Reading the facts for a stand-in over a connection: a read-only transaction that leaves nothing behind."""

from __future__ import annotations

from collections.abc import Iterable

import psycopg

from rowreckon.catalog.program import PATH_SETTING, SAFE_PATH
from rowreckon.errors import StatementFailed
from rowreckon.server.connecting.connection import Connection, first_line
from rowreckon.stand_in.facts import StandInFacts, stand_in_facts
from rowreckon.stand_in.script.program import ANSWER_SETTING, REQUEST_SETTING, request_text, stand_in_program

LOCK_TIMEOUT_MS = 2000
"""How long a part waits for a table that somebody holds exclusively before it is given up (ms)."""


def read_stand_in_facts(
    connection: Connection,
    relations: Iterable[tuple[str | None, str]],
    functions: Iterable[str] = (),
    *,
    from_file: bool = True,
    with_values: bool = True,
) -> StandInFacts:
    """What a stand-in for these relations (schema or None, name) is built from.

    Works inside an open transaction, whose settings then count, or in one of its own. `functions` are names that the
    queries call. With `from_file` no code of the database's own users is run or printed. Raises StatementFailed.
    """
    request = request_text(relations, functions, with_values=with_values)
    try:
        with connection.transaction(force_rollback=True):
            connection.execute("set transaction read only")
            connection.execute(
                "select pg_catalog.set_config(%s, pg_catalog.current_setting('search_path'), true),"
                " pg_catalog.set_config('client_encoding', 'UTF8', true),"
                " pg_catalog.set_config('standard_conforming_strings', 'on', true),"
                " pg_catalog.set_config('lock_timeout', %s, true), pg_catalog.set_config(%s, %s, true)",
                (PATH_SETTING, f"{LOCK_TIMEOUT_MS}ms", REQUEST_SETTING, request),
            )
            connection.execute("select pg_catalog.set_config('search_path', %s, true)", (SAFE_PATH,))
            connection.execute(stand_in_program(from_file=from_file).encode())
            row = connection.execute("select pg_catalog.current_setting(%s)", (ANSWER_SETTING,)).fetchone()
    except psycopg.Error as error:
        raise StatementFailed(
            f"the facts for a stand-in could not be read: {first_line(error)}",
            hint="check that the role may use PL/pgSQL, and the statement timeout",
            sqlstate=error.sqlstate,
        ) from None
    assert row is not None
    return stand_in_facts(str(row[0]))
