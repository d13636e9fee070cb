"""Applying a change and looking whether it took effect.

A statement that succeeds may have done nothing: ANALYZE without the right to only warns, an index may be invalid or
not yet usable. What is not seen in the catalog afterwards was not applied.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import psycopg
from psycopg import sql

from rowreckon.remedies.change import Change
from rowreckon.server.connecting.connection import Connection, first_line
from rowreckon.server.connecting.patience import limited
from rowreckon.server.connecting.words import message
from rowreckon.server.trials.catalog_state import CatalogState, read_state
from rowreckon.server.trials.permitted import permitted
from rowreckon.trial.planning import gathers_statistics

# the table is found by the path in force, so that the operator has its schema
_ANALYZED = """
select c.relkind::pg_catalog.text, pg_catalog.pg_stat_get_last_analyze_time(c.oid),
  pg_catalog.current_setting('track_counts')::pg_catalog.bool
from pg_catalog.pg_class c where c.oid operator(pg_catalog.=) pg_catalog.to_regclass(%s)
"""
_COLLECTOR_S = 2.0  # up to 14 counters arrive through a collector process, within half a second


@dataclass(frozen=True, slots=True)
class Applied:
    """`obstacle` says why the change is not in force, None where it is. `index_kb` is the size of the new indexes."""

    obstacle: str | None = None
    ms: float = 0.0
    index_kb: float | None = None
    timed_out: bool = False


def apply(
    connection: Connection,
    statements: Sequence[str],
    *,
    limit_ms: float,
    inside: bool = False,
    built_in_only: bool = False,
) -> Applied:
    """Run the statements within `limit_ms` together. `inside` an open transaction settings are set for it alone.

    Each is read by the grammar first, and none is sent where one is no change of a remedy's shape, or calls what it may
    not (`built_in_only`: anything that is not PostgreSQL's own). The server's errors become obstacles; a lost
    connection raises psycopg.Error.
    """
    begun = time.perf_counter()
    try:
        changes, reason = permitted(connection, statements, built_in_only=built_in_only)
        if reason is not None:
            return Applied(reason, _since(begun))
        before = start = read_state(connection)
        for change in changes:
            left = limit_ms - (time.perf_counter() - begun) * 1000.0
            if left <= 1:
                return Applied("there was no time left to apply it", _since(begun), timed_out=True)
            obstacle = _one(connection, change, left, inside=inside)
            if obstacle is not None:
                return Applied(obstacle, _since(begun))
            if change.kind != "analyze":
                after = read_state(connection)
                obstacle = _unseen(change, before, after)
                if obstacle is not None:
                    return Applied(obstacle, _since(begun))
                before = after
        made = before.new_indexes(start)
        return Applied(None, _since(begun), sum(i.size_kb for i in made) if made else None)
    except psycopg.errors.QueryCanceled:
        return Applied(f"it was not applied within {limit_ms / 1000:.1f} s", _since(begun), timed_out=True)
    except psycopg.errors.LockNotAvailable:
        return Applied("a lock that it needs was not free in time", _since(begun), timed_out=True)
    except psycopg.Error as error:
        if connection.closed:
            raise
        return Applied(f"the server refused it: {first_line(error)}", _since(begun))


def refresh(connection: Connection, statements: Sequence[str], *, limit_ms: float) -> str | None:
    """Run the ANALYZE statements again, for another sample; why not, or None."""
    again = [s for s in statements if gathers_statistics(s)]
    return apply(connection, again, limit_ms=limit_ms).obstacle


def _one(connection: Connection, change: Change, left_ms: float, *, inside: bool) -> str | None:
    """Run one statement; what the server warned of, or what is missing afterwards."""
    scope = sql.SQL("LOCAL ") if inside else sql.SQL("")
    connection.execute(sql.SQL("SET {}statement_timeout = {}").format(scope, sql.Literal(int(left_ms))))
    table = change.tables[0] if change.kind == "analyze" else None
    earlier = _analyzed(connection, table) if table is not None else None
    with _warnings(connection) as warned, limited(connection, int(left_ms)):
        # binary: the extended protocol, which takes one statement only
        connection.execute(change.text.encode(), binary=True)
    if warned:
        return f"the server warned: {warned[0]}"
    if table is None or earlier is None or inside:
        return None
    kind, last, counting = earlier
    if not counting or kind not in ("r", "m"):
        return None
    deadline = time.perf_counter() + _COLLECTOR_S
    while True:
        now = _analyzed(connection, table)
        if now is not None and now[1] is not None and now[1] != last:
            return None
        if time.perf_counter() > deadline:
            return f"the server's counters do not show that it happened: {change.text}"
        time.sleep(0.05)


def _analyzed(connection: Connection, table: str) -> tuple[str, object, bool] | None:
    """Kind, time of the last ANALYZE, whether the server counts; None for what is no table's name."""
    try:
        with connection.transaction():
            row = connection.execute(_ANALYZED, (table.strip(),)).fetchone()
    except psycopg.errors.SyntaxError:
        return None
    return None if row is None else (str(row[0]), row[1], bool(row[2]))


def _unseen(change: Change, before: CatalogState, after: CatalogState) -> str | None:
    if not after.differs(before):
        return f"the server accepted it, and nothing in the catalog changed: {change.text}"
    made = after.new_indexes(before)
    if change.kind == "index" and not made:
        return "no new index is in the catalog"
    for index in made:
        if not index.valid:
            return "the new index is not valid"
        if not index.usable:
            return (
                "the new index is not usable yet: it waits for older transactions (indcheckxmin), and the planner of"
                " this one ignores it"
                if index.waits
                else "the new index is not ready"
            )
    return None


@contextmanager
def _warnings(connection: Connection) -> Iterator[list[str]]:
    """The warnings that the server sends meanwhile."""
    found: list[str] = []

    def note(diagnostic: psycopg.errors.Diagnostic) -> None:
        if (diagnostic.severity_nonlocalized or diagnostic.severity) == "WARNING":
            found.append(message(diagnostic.message_primary or "a warning without a text", diagnostic.sqlstate))

    connection.add_notice_handler(note)
    try:
        yield found
    finally:
        connection.remove_notice_handler(note)


def _since(begun: float) -> float:
    return (time.perf_counter() - begun) * 1000.0
