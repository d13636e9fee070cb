"""The one way in which this package runs somebody's statement.

Each query gets a transaction of its own, read-only unless permitted otherwise, always rolled back, with time
limits; settings are set for that transaction alone.  It is planned first, so that a query that runs out of time still
leaves its plan, and so that the functions it calls are known before any is called.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Literal

import psycopg
from psycopg import sql

from .connection import Connection, first_line
from .explain_options import planning_options, running_options
from .permission import Limits, SafetyPermission
from .querylist import QueryItem
from .volatility import volatile_functions

Outcome = Literal["ran", "timed_out", "failed", "refused", "skipped"]

_LOST = ("08", "57P")
_SETTINGS = """
select name, pg_catalog.current_setting(name) from pg_catalog.pg_settings
where name in ('seq_page_cost','random_page_cost','cpu_tuple_cost','cpu_index_tuple_cost','cpu_operator_cost',
 'parallel_tuple_cost','parallel_setup_cost','work_mem','hash_mem_multiplier','effective_cache_size',
 'recursive_worktable_factor','cursor_tuple_fraction','default_statistics_target','from_collapse_limit',
 'join_collapse_limit','geqo','geqo_threshold','plan_cache_mode','jit','max_parallel_workers_per_gather',
 'max_parallel_workers','min_parallel_table_scan_size','min_parallel_index_scan_size','parallel_leader_participation',
 'constraint_exclusion') or name like 'enable\\_%'
order by name
"""
_SESSION = """
select current_user::text, pg_catalog.current_database()::text, pg_catalog.current_setting('search_path'),
       pg_catalog.current_setting('row_security')
"""


@dataclass(frozen=True, slots=True)
class SessionState:
    """What the session looked like to the query: another session may get another plan."""

    role: str
    database: str
    search_path: str
    row_security: bool


@dataclass(frozen=True, slots=True)
class QueryRun:
    """What came of one item.

    `document` is EXPLAIN ANALYZE's JSON as parsed, present only where the outcome is `ran`; `planned` the plan made
    before running, present wherever planning succeeded.  `settings` are the planner's settings as SHOW prints them.
    `elapsed_ms` is the wall-clock time of everything sent for this item.  `lost` says that the connection is gone.
    """

    item: QueryItem
    outcome: Outcome
    server_version: int
    reason: str | None = None
    sqlstate: str | None = None
    document: Any = None
    planned: Any = None
    settings: dict[str, str] | None = None
    session: SessionState | None = None
    elapsed_ms: float = 0.0
    lost: bool = False


@dataclass(slots=True)
class Executor:
    """Runs items one after another on one connection, under one permission."""

    connection: Connection
    permission: SafetyPermission
    limits: Limits = field(default_factory=Limits)
    timing: bool = True
    # the planner's settings and the session's state, by what was set before: read once for each
    _seen: dict[tuple[str, ...], tuple[dict[str, str], SessionState]] = field(default_factory=dict)

    def run(self, item: QueryItem) -> QueryRun:
        """Run one item.  The server's errors become outcomes; Ctrl-C cancels on the server and passes on."""
        version = self.connection.info.server_version
        refusal = self._refusal(item)
        if refusal is not None:
            return refusal
        begun = time.perf_counter()
        so_far = _SoFar()
        outcome: Outcome = "ran"
        reason = sqlstate = None
        lost = False
        try:
            with self._transaction(item):
                self._attempt(item, so_far, version)
        except _NotPermitted as refused:
            outcome, reason = "refused", str(refused)
        except psycopg.errors.QueryCanceled as error:
            sqlstate = error.sqlstate
            # told by the clock, since the server's message may be in any language
            if 0 < self.limits.statement_ms <= (time.perf_counter() - begun) * 1000.0:
                outcome, reason = "timed_out", f"it did not end within {self.limits.statement_ms} ms"
            else:
                outcome, reason = "failed", first_line(error)
        except psycopg.errors.LockNotAvailable as error:
            outcome, sqlstate = "timed_out", error.sqlstate
            reason = f"a lock was not free within {self.limits.lock_ms} ms"
        except psycopg.Error as error:
            outcome, reason, sqlstate = "failed", first_line(error), error.sqlstate
            lost = self.connection.closed or (sqlstate or "").startswith(_LOST)
        return QueryRun(
            item,
            outcome,
            version,
            reason,
            sqlstate,
            so_far.document,
            so_far.planned,
            so_far.settings,
            so_far.session,
            (time.perf_counter() - begun) * 1000.0,
            lost,
        )

    def _refusal(self, item: QueryItem) -> QueryRun | None:
        """Refuse before anything is sent what the text alone rules out."""
        version = self.connection.info.server_version
        if item.kind == "unfit":
            return QueryRun(item, "refused", version, item.reason)
        if item.kind == "write" and not self.permission.writes:
            return QueryRun(item, "refused", version, item.reason)
        if item.parameters:
            return QueryRun(item, "skipped", version, "no values are given for its parameters ($1, …)")
        return None

    @contextlib.contextmanager
    def _transaction(self, item: QueryItem) -> Iterator[None]:
        """A rolled-back transaction with the item's settings and, last so that none lifts them, our limits."""
        mode = "READ WRITE" if item.kind == "write" else "READ ONLY"
        send = self.connection.execute
        send(f"BEGIN TRANSACTION ISOLATION LEVEL READ COMMITTED {mode}".encode())
        try:
            self._limit()
            for statement in item.settings:
                send(statement.encode(), binary=True)
            self._prepare(item)
            self._limit()
            yield
        finally:
            with contextlib.suppress(psycopg.Error):
                send(b"ROLLBACK")

    def _limit(self) -> None:
        limits = self.limits
        self.connection.execute(
            f"SET LOCAL statement_timeout = {int(limits.statement_ms)}; SET LOCAL lock_timeout = {int(limits.lock_ms)};"
            f" SET LOCAL idle_in_transaction_session_timeout = {int(limits.idle_ms)}".encode()
        )

    def _prepare(self, item: QueryItem) -> None:
        """Prepared statements outlive a rollback, and on a pooled connection may be somebody's: replace namesakes."""
        if not item.prepared:
            return
        names = [name for name, _ in item.prepared]
        there = self.connection.execute(
            "select name from pg_catalog.pg_prepared_statements where name = any(%s)", (names,)
        ).fetchall()
        for (name,) in there:
            self.connection.execute(sql.SQL("DEALLOCATE {}").format(sql.Identifier(name)))
        for _, statement in item.prepared:
            self.connection.execute(statement.encode(), binary=True)

    def _attempt(self, item: QueryItem, so_far: _SoFar, version: int) -> None:
        so_far.settings, so_far.session = self._state(item)
        so_far.planned = self._explain(planning_options(version), item)
        if not self.permission.volatile:
            found = volatile_functions(self.connection, so_far.planned)
            if found:
                raise _NotPermitted(
                    f"it may call {', '.join(found)}, volatile and so able to act outside this transaction"
                )
        options = running_options(version, writes=item.kind == "write", timing=self.timing)
        so_far.document = self._explain(options, item)

    def _explain(self, options: str, item: QueryItem) -> Any:
        # binary: the extended protocol, which takes one statement only, whatever the text holds
        row = self.connection.execute(f"EXPLAIN ({options}) {item.text}".encode(), binary=True).fetchone()
        return row[0] if row else None

    def _state(self, item: QueryItem) -> tuple[dict[str, str], SessionState]:
        if item.settings not in self._seen:
            settings = {str(name): str(value) for name, value in self.connection.execute(_SETTINGS.encode()).fetchall()}
            row = self.connection.execute(_SESSION.encode()).fetchone()
            assert row is not None
            self._seen[item.settings] = (settings, SessionState(row[0], row[1], row[2], row[3] == "on"))
        return self._seen[item.settings]


@dataclass(slots=True)
class _SoFar:
    """What an attempt has got hold of before it ended, however it ended."""

    settings: dict[str, str] | None = None
    session: SessionState | None = None
    planned: Any = None
    document: Any = None


class _NotPermitted(Exception):
    """The plan shows something that the permission does not cover."""
