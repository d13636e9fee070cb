"""The one way in which this package runs somebody's statement.

Each query gets a transaction of its own, read-only unless permitted otherwise, always rolled back, with time
limits; settings are set for that transaction alone.  It is planned first, so that a query that runs out of time still
leaves its plan, and so that the functions it calls are known before any is called.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import psycopg

from rowreckon.server.connecting.connection import Connection, first_line
from rowreckon.server.connecting.permission import Limits, NotPermitted, SafetyPermission
from rowreckon.server.connecting.session_state import SessionState, read_state
from rowreckon.server.executing.explain_options import planning_options, running_options
from rowreckon.server.executing.filled import admit_fillings, filled
from rowreckon.server.executing.transaction import Admit, ItemTransaction, can_watch, open_transaction
from rowreckon.server.executing.volatility import PlannedCalls
from rowreckon.server.judging.judge import Judge
from rowreckon.server.judging.verdict import FLAG, Verdict
from rowreckon.server.lists.querylist import QueryItem

__all__ = ["Ending", "Executor", "Outcome", "QueryRun", "SessionState"]

Outcome = Literal["ran", "timed_out", "failed", "refused", "skipped"]

_LOST = ("08", "57P")


@dataclass(frozen=True, slots=True)
class Ending:
    """How an attempt ended; `lost` says that the connection is gone."""

    outcome: Outcome = "ran"
    reason: str | None = None
    sqlstate: str | None = None
    lost: bool = False


@dataclass(frozen=True, slots=True)
class QueryRun:
    """What came of one item.

    `document` is EXPLAIN ANALYZE's JSON as parsed, present only where the outcome is `ran`; `planned` the plan made
    before running, present wherever planning succeeded.  `settings` are the planner's settings as SHOW prints them.
    `elapsed_ms` is the wall-clock time of everything sent for this item, `filled_ms` what filling and analyzing its
    temporary tables took.  `lost` says that the connection is gone.
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
    filled_ms: float = 0.0
    lost: bool = False
    relations: frozenset[int] | None = None
    """What planning locked, by oid, where the executor notes it."""


@dataclass(slots=True)
class Executor:
    """Runs items one after another on one connection, under one permission."""

    connection: Connection
    permission: SafetyPermission
    limits: Limits = field(default_factory=Limits)
    timing: bool = True
    nothing_runs: bool = False
    """Refuse what may call functions in procedural languages, even if declared immutable or stable."""
    notes_relations: bool = False
    # the planner's settings and the session's state, by what was set before: read once for each
    _seen: dict[tuple[str, ...], tuple[dict[str, str], SessionState]] = field(default_factory=dict)
    _watched: bool | None = None
    _judge: Judge = field(init=False)
    _calls: PlannedCalls = field(init=False)

    def __post_init__(self) -> None:
        self._judge = Judge(self.connection)
        self._calls = PlannedCalls(self.connection)

    def run(self, item: QueryItem, *, limits: Limits | None = None) -> QueryRun:
        """Run one item.  The server's errors become outcomes; Ctrl-C cancels on the server and passes on."""
        return self._go(item, limits or self.limits, execute=True)

    def look(self, item: QueryItem) -> QueryRun:
        """Plan one item without running it; outcome and reason are what running it would be met with at its start.

        Planning counts as running, since it evaluates functions: it is judged the same, and always read-only.
        """
        return self._go(item, self.limits, execute=False)

    def judge(self, item: QueryItem) -> tuple[Verdict | None, Ending]:
        """What an item may execute, under its own settings, with nothing of it sent; and how the asking ended."""
        found: list[Verdict] = []
        ending = self._ask([item], found)
        return (found[0] if found else None), ending

    def judge_all(self, items: Sequence[QueryItem]) -> list[Verdict]:
        """The verdicts of items that share their settings, as far as they can be had."""
        found: list[Verdict] = []
        self._ask(items, found)
        return found

    def _ask(self, items: Sequence[QueryItem], found: list[Verdict]) -> Ending:
        def ask(_: QueryItem) -> None:
            found.extend(self._judge.judge(item) for item in items)

        return self._attempt(replace(items[0], prepared=()), self.limits, lambda _: None, ask)

    def admit(self, item: QueryItem) -> None:
        """Judge an item in the open transaction, whose settings are its own. Raises NotPermitted if it is refused."""
        admit_fillings(self._judge, item)
        if self.permission.volatile:
            return
        verdict = self._judge.judge(item)
        if not verdict.harmless:
            raise NotPermitted(f"{verdict.reason()}; {FLAG} permits it")
        if self.nothing_runs and verdict.named:
            raise NotPermitted(f"planning it may run {', '.join(verdict.named[:3])}, on the word of its declaration")

    def attempt(
        self, item: QueryItem, limits: Limits, work: Callable[[ItemTransaction], None], *, planning: bool = False
    ) -> Ending:
        """Do some work in a transaction of the item's own, if it is admitted; whatever the server says becomes the
        ending. `planning` work runs nothing, so that the transaction is read-only whatever is permitted."""
        return self._attempt(item, limits, work, self.admit, writes=self.permission.writes and not planning)

    def _attempt(
        self,
        item: QueryItem,
        limits: Limits,
        work: Callable[[ItemTransaction], None],
        admit: Admit,
        *,
        writes: bool = False,
    ) -> Ending:
        begun = time.perf_counter()
        try:
            if self._watched is None:
                self._watched = can_watch(self.connection)
            with open_transaction(
                self.connection,
                item,
                limits,
                admit,
                writes=writes,
                watched=self._watched,
            ) as transaction:
                work(filled(transaction, self._calls, limits))
        except NotPermitted as refused:
            return Ending("refused", str(refused))
        except psycopg.errors.QueryCanceled as error:
            # told by the clock, since the server's message may be in any language
            if 0 < limits.statement_ms <= (time.perf_counter() - begun) * 1000.0:
                return Ending("timed_out", f"it did not end within {limits.statement_ms} ms", error.sqlstate)
            return Ending("failed", first_line(error), error.sqlstate)
        except psycopg.errors.LockNotAvailable as error:
            return Ending("timed_out", f"a lock was not free within {limits.lock_ms} ms", error.sqlstate)
        except psycopg.Error as error:
            lost = self.connection.closed or (error.sqlstate or "").startswith(_LOST)
            return Ending("failed", first_line(error), error.sqlstate, lost)
        return Ending()

    def timed_attempt(self, item: QueryItem, work: Callable[[ItemTransaction], None]) -> tuple[Ending, float]:
        """An attempt under the executor's own limits, and the milliseconds that it took."""
        begun = time.perf_counter()
        ending = self.attempt(item, self.limits, work)
        return ending, (time.perf_counter() - begun) * 1000.0

    def _go(self, item: QueryItem, limits: Limits, *, execute: bool) -> QueryRun:
        version = self.connection.info.server_version
        refusal = refusal_of(item, self.permission)
        if refusal is not None:
            return QueryRun(item, refusal.outcome, version, refusal.reason)
        begun = time.perf_counter()
        so_far = _SoFar()
        ending = self._attempt(
            item,
            limits,
            lambda inside: self._explain(inside, so_far, execute=execute),
            self.admit,
            writes=execute and self.permission.writes,
        )
        return QueryRun(
            item,
            ending.outcome,
            version,
            ending.reason,
            ending.sqlstate,
            so_far.document,
            so_far.planned,
            so_far.settings,
            so_far.session,
            (time.perf_counter() - begun) * 1000.0,
            so_far.filled_ms,
            ending.lost,
            so_far.relations,
        )

    def _explain(self, inside: ItemTransaction, so_far: _SoFar, *, execute: bool) -> None:
        version = self.connection.info.server_version
        item = inside.item
        so_far.filled_ms = inside.filled_ms
        if item.settings not in self._seen:
            self._seen[item.settings] = read_state(self.connection)
        so_far.settings, so_far.session = self._seen[item.settings]
        so_far.planned = inside.explain(planning_options(version))
        if self.notes_relations:
            so_far.relations = inside.relations()
        if not self.permission.volatile:
            found = self._calls.volatile(so_far.planned, writing=item.kind == "write")
            if found:
                raise NotPermitted(
                    f"its plan may call {', '.join(found)}, able to act outside this transaction; {FLAG} permits it"
                )
        if execute:
            so_far.document = inside.explain(running_options(version, writes=item.kind == "write", timing=self.timing))


def refusal_of(item: QueryItem, permission: SafetyPermission) -> Ending | None:
    """What the text alone rules out, before anything is sent; None if nothing."""
    if item.kind == "unfit":
        return Ending("refused", item.reason)
    if item.kind == "write" and not permission.writes:
        return Ending("refused", f"{item.reason}; --allow-writes permits it")
    if item.role is not None and not permission.role_changes:
        return Ending("refused", "the list takes on another role for it (SET ROLE); --allow-role-changes permits it")
    if item.parameters:
        return Ending("skipped", "no values are given for its parameters ($1, …)")
    return None


@dataclass(slots=True)
class _SoFar:
    """What an attempt has got hold of before it ended, however it ended."""

    settings: dict[str, str] | None = None
    session: SessionState | None = None
    planned: Any = None
    document: Any = None
    filled_ms: float = 0.0
    relations: frozenset[int] | None = None
