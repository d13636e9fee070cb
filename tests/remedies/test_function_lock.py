"""What is said of a function's change: it takes no lock on a table. A server's own list of locks is asked."""

from __future__ import annotations

import psycopg
import pytest

from rowreckon.report.words.changes.remedy_words import lock_words, locks_words
from tests.report import factories as f

ALTERS = f.REMEDY.model_copy(update={"kind": "function_rows", "lock": None, "tables": (), "columns": ()})
LOCKED = """select c.relname from pg_locks l join pg_class c on c.oid = l.relation
where l.pid = pg_backend_pid() and c.relkind in ('r', 'p') and c.relnamespace <> 'pg_catalog'::regnamespace"""


@pytest.mark.server
def test_altering_a_function_locks_no_table(database: str) -> None:
    """Nor the table that it reads; an ANALYZE of that table would stand in the list."""
    with psycopg.connect(database) as connection:
        connection.execute("create table beds (hut int)")
        connection.execute("create function free() returns setof beds language sql as 'select * from beds'")
        connection.commit()
        connection.execute("alter function free() rows 60")
        altering = connection.execute(LOCKED).fetchall()
        connection.rollback()
        connection.execute("analyze beds")
        analyzing = connection.execute(LOCKED).fetchall()

    assert altering == []
    assert analyzing == [("beds",)]
    assert lock_words(ALTERS) == "Takes no lock on a table."


def test_beside_other_changes_it_is_no_unknown_lock() -> None:
    """Only what is not known is said not to be known."""
    assert locks_words((ALTERS,)) == ""
    assert locks_words((ALTERS, f.REMEDY.model_copy(update={"rank": 2}))) == "Takes a SHARE UPDATE EXCLUSIVE lock."
