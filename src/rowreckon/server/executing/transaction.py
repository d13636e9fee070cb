"""The transaction in which an item of a query list is planned or run: limits, settings, prepared statements, rollback.

Read-only unless the item is a permitted write; always rolled back; settings are set for it alone, so that it works
through a pooler that lends a server connection for one transaction only.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import psycopg
from psycopg import sql

from rowreckon.server.connecting.connection import Connection
from rowreckon.server.connecting.containment import Containment
from rowreckon.server.connecting.neutral import neutral_path
from rowreckon.server.connecting.patience import limited
from rowreckon.server.connecting.permission import Limits
from rowreckon.server.lists.querylist import QueryItem
from rowreckon.sql.filling import Filling, counting_statement, filling_statement

Admit = Callable[[QueryItem], None]
"""Raises NotPermitted for an item that may not run; called with its settings in force, before anything of it is sent.
"""

_SET = b"select pg_catalog.set_config(%s, %s, true)"
_SAVEPOINT = b"SAVEPOINT rowreckon_item"
_BACK = b"ROLLBACK TO SAVEPOINT rowreckon_item"
# functions and operators alone, each with its schema
_LOCKED = (
    b"select l.relation::pg_catalog.int8 from pg_catalog.pg_locks l where l.pid operator(pg_catalog.=)"
    b" pg_catalog.pg_backend_pid() and l.locktype operator(pg_catalog.=) 'relation'::pg_catalog.text"
)
_EXPLAIN = sql.SQL("EXPLAIN ({}) {}")
"""Our options, and the item as its author wrote it: it was judged as that text, so it is not printed anew."""


@dataclass(frozen=True, slots=True)
class ItemTransaction:
    """An open transaction with everything that goes before an item already sent; `open_transaction` makes one.

    `filled_ms` is what filling and analyzing the item's temporary tables took.
    """

    connection: Connection
    item: QueryItem
    containment: Containment
    filled_ms: float = 0.0

    def explain(self, options: str, text: str | None = None) -> Any:
        """EXPLAIN of the item, or of another text, with these options: its parsed JSON. Raises psycopg.Error, and
        NotPermitted where a guard does not stand right before or right after."""
        self.containment.before()
        # binary: the extended protocol, which takes one statement only, whatever the text holds
        statement = _EXPLAIN.format(sql.SQL(options), sql.SQL(text or self.item.text))
        row = self.connection.execute(statement, binary=True).fetchone()
        self.containment.after()
        return row[0] if row else None

    def fill(self, options: str, filling: Filling) -> Any:
        """Run the statement that fills a temporary table, as `explain` does."""
        return self.explain(options, filling_statement(filling))

    def only_read(self) -> None:
        """Nothing may be written from here on but to temporary tables."""
        self.connection.execute(b"SET TRANSACTION READ ONLY")
        self.containment.changed("transaction_read_only", "on")

    def analyze(self, filling: Filling) -> None:
        """Gather the statistics of a temporary table that was filled. Raises psycopg.Error, NotPermitted."""
        self.containment.before()
        self.connection.execute(counting_statement(filling).encode(), binary=True)
        self.containment.after()

    def relations(self) -> frozenset[int]:
        """The relations, by oid, that the transaction has locked so far: all that planning looked at is among them."""
        return frozenset(int(row[0]) for row in self.connection.execute(_LOCKED).fetchall())

    def set_local(self, name: str, value: str) -> None:
        """Change a setting for the rest of the transaction, or of a `switched` block."""
        row = self.connection.execute(_SET, (name, value)).fetchone()
        self.containment.changed(name, str(row[0]) if row else value)

    @contextlib.contextmanager
    def switched(self, off: Sequence[str]) -> Iterator[None]:
        """Planner switches set to off for as long as the block lasts; other settings made in it go with them."""
        self.connection.execute(b"SAVEPOINT rowreckon_switch")
        for name in off:
            self.set_local(name, "off")
        if self.item.prepared:
            # a generic plan that was made before would stay as it was
            self.connection.execute(b"DISCARD PLANS")
        yield
        self.connection.execute(b"ROLLBACK TO SAVEPOINT rowreckon_switch")

    def count(self, query: str, limit_ms: int) -> int:
        """The single number that a read-only query gives within `limit_ms`. Raises psycopg.Error."""
        (row,) = self._rows(query, limit_ms)
        return int(row[0])

    def texts(self, query: str, limit_ms: int) -> list[str | None]:
        """The one column of text that a read-only query gives within `limit_ms`. Raises psycopg.Error."""
        return [None if row[0] is None else str(row[0]) for row in self._rows(query, limit_ms)]

    def _rows(self, query: str, limit_ms: int) -> list[Any]:
        self.set_local("statement_timeout", f"{int(limit_ms)}ms")
        self.containment.before()
        with limited(self.connection, limit_ms):
            rows = self.connection.execute(query.encode(), binary=True).fetchall()
        self.containment.after()
        return rows


@contextlib.contextmanager
def open_transaction(
    connection: Connection,
    item: QueryItem,
    limits: Limits,
    admit: Admit,
    *,
    writes: bool = False,
    watched: bool = False,
) -> Iterator[ItemTransaction]:
    """A transaction with the item's settings and, last so that none lifts them, our limits; rolled back at the end.

    Read-only unless `writes`, and the item is a write, or has tables to be filled first, which then see one state of
    the data with all that follows. `admit` decides before anything of the item is sent. `watched`
    has the server look for a vanished client while a statement runs (from 14 on, where its system can). Raises
    psycopg.Error and NotPermitted.
    """
    read_only = _only_reads(item, writes=writes)
    send = connection.execute
    level = b"REPEATABLE READ" if item.fillings else b"READ COMMITTED"
    send(b"BEGIN TRANSACTION ISOLATION LEVEL " + level + (b" READ ONLY" if read_only else b" READ WRITE"))
    try:
        with (
            limited(connection, limits.statement_ms),
            _prepared(connection, item, limits, admit, read_only=read_only, watched=watched) as inside,
        ):
            yield inside
    finally:
        with contextlib.suppress(psycopg.Error):
            send(b"ROLLBACK")


@contextlib.contextmanager
def item_savepoint(
    connection: Connection, item: QueryItem, limits: Limits, admit: Admit, *, writes: bool = False
) -> Iterator[ItemTransaction]:
    """The same as `open_transaction` within a transaction that is open already, and rolled back to where it was."""
    read_only = _only_reads(item, writes=writes)
    send = connection.execute
    send(b"SAVEPOINT rowreckon_place")
    try:
        if read_only:
            send(b"SET TRANSACTION READ ONLY")
        with (
            limited(connection, limits.statement_ms),
            _prepared(connection, item, limits, admit, read_only=read_only, watched=False) as inside,
        ):
            yield inside
    finally:
        with contextlib.suppress(psycopg.Error):
            send(b"ROLLBACK TO SAVEPOINT rowreckon_place")


def _only_reads(item: QueryItem, *, writes: bool) -> bool:
    return not item.fillings and not (writes and item.kind == "write")


@contextlib.contextmanager
def _prepared(
    connection: Connection, item: QueryItem, limits: Limits, admit: Admit, *, read_only: bool, watched: bool
) -> Iterator[ItemTransaction]:
    """Limits, settings, the decision, the item's prepared statements; these are taken away in the end."""
    containment = Containment(connection, read_only)
    containment.limit(limits, watched=watched)
    for statement in item.settings:
        connection.execute(statement.encode(), binary=True)
    if item.settings:
        containment.limit(limits, watched=watched)
    containment.begin()
    admit(item)
    try:
        if item.prepared:
            containment.before()
            _prepare(connection, item)
            containment.after()
        yield ItemTransaction(connection, item, containment)
    finally:
        with contextlib.suppress(psycopg.Error):
            if item.prepared:
                _forget(connection, item)


def limit_statements(limits: Limits, *, watched: bool) -> str:
    """SET LOCAL statements for the limits."""
    words = (
        f"SET LOCAL statement_timeout = {int(limits.statement_ms)}; SET LOCAL lock_timeout = {int(limits.lock_ms)};"
        f" SET LOCAL idle_in_transaction_session_timeout = {int(limits.idle_ms)}"
    )
    return f"{words}; SET LOCAL client_connection_check_interval = 1000" if watched else words


def can_watch(connection: Connection) -> bool:
    """Whether the server can notice, while it runs a statement, that its client is gone."""
    if connection.info.server_version < 140000:
        return False
    try:
        with connection.transaction(force_rollback=True):
            connection.execute(b"SET LOCAL client_connection_check_interval = 1000")
    except psycopg.Error:
        return False
    return True


def _prepare(connection: Connection, item: QueryItem) -> None:
    """Prepared statements outlive a rollback, and on a pooled connection may be somebody's: replace namesakes."""
    names = [name for name, _ in item.prepared]
    with neutral_path(connection):
        there = connection.execute("select name from pg_prepared_statements where name = any(%s)", (names,)).fetchall()
    for (name,) in there:
        connection.execute(sql.SQL("DEALLOCATE {}").format(sql.Identifier(name)))
    connection.execute(_SAVEPOINT)
    for _, statement in item.prepared:
        connection.execute(statement.encode(), binary=True)


def _forget(connection: Connection, item: QueryItem) -> None:
    """Take the item's prepared statements away while the transaction, and a pooler's loan, still lasts."""
    connection.execute(_BACK)
    for name, _ in item.prepared:
        connection.execute(sql.SQL("DEALLOCATE {}").format(sql.Identifier(name)))
