"""One attempt in a transaction that is rolled back, within a bounded time of holding its locks.

Queries are run without the change first, outside; then the change is applied, all queries are planned and those that
matter run, each in a read-only savepoint of its own, and everything is rolled back.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import psycopg

from rowreckon.document.audit import Audit
from rowreckon.errors import StatementFailed
from rowreckon.plan.same import as_run
from rowreckon.plan.tree import lay_out
from rowreckon.server.connecting.connection import Connection, ended, first_line
from rowreckon.server.connecting.permission import Limits, NotPermitted
from rowreckon.server.connecting.whereabouts import in_recovery
from rowreckon.server.executing.execute import Executor, QueryRun, refusal_of
from rowreckon.server.executing.explain_options import planning_options, running_options
from rowreckon.server.executing.filled import filled
from rowreckon.server.executing.transaction import ItemTransaction, item_savepoint, limit_statements
from rowreckon.server.executing.volatility import PlannedCalls
from rowreckon.server.lists.querylist import QueryItem
from rowreckon.server.sweeping.captured import capture_of_run
from rowreckon.server.sweeping.facts import read_catalogs
from rowreckon.server.trials.apply import Applied, apply
from rowreckon.server.trials.comparing import Comparing, Report
from rowreckon.server.trials.measuring import in_a_block, rounds_for
from rowreckon.server.trials.pulse import disturbed, take_pulse
from rowreckon.server.trials.rewritten import RowsCompared, compare_rows, rewriting_obstacle, with_the_change
from rowreckon.server.trials.rules import TrialRules
from rowreckon.server.trials.stage import Clock, Planned, Runs, Stage
from rowreckon.trial.measured import Attempt, Measured
from rowreckon.trial.planning import in_place_obstacle

_LOCK_MS = 1_000
_STANDBY = "the server is a standby, on which nothing can be changed and no temporary table be filled"
_FACTS_MS = 500.0  # facts of one plan take a tenth of it


@dataclass(slots=True)
class InPlace:
    """Makes attempts on the database itself."""

    connection: Connection
    audit: Audit
    items: Sequence[QueryItem]
    rules: TrialRules
    clock: Clock
    report: Report
    from_files: frozenset[int] = frozenset()
    """As in `OnCopies`."""
    reconnect: Callable[[], Connection] | None = None
    """Makes a new connection after the server has ended the old one; raises CannotConnect."""

    def try_(self, attempt: Attempt) -> Measured:
        """Measure, apply, measure, roll back.

        Raises psycopg.Error or ConnectionLost where the connection is lost, CannotConnect.
        """
        if self.reconnect is not None and ended(self.connection):
            self.connection = self.reconnect()
        obstacle = (
            in_place_obstacle(attempt)
            or rewriting_obstacle(attempt, self.items, self.from_files)
            or (_STANDBY if in_recovery(self.connection) else None)
        )
        if obstacle is not None:
            return Measured(attempt=attempt, where="in_place", not_applied=obstacle)
        stage = Stage(self.connection, self.rules.permission, self.rules.limits)
        # an attempt before this one may have left new sizes behind: the plans without a change are made anew
        plans = {number: stage.plan(item) for number, item in enumerate(self.items)}
        comparing = Comparing(self.audit, self.items, attempt, self.rules, plans)
        pulse = take_pulse(self.connection)
        for number in sorted(attempt.victims):
            self.report(f"{attempt.title}: {self.items[number].name} without it")
            runs = in_a_block(stage, self.items[number], self.rules, self.clock)
            comparing.runs[number] = (runs, Runs())
        applied, rows = self._inside(attempt, comparing)
        if applied.obstacle is not None:
            return Measured(attempt=attempt, where="in_place", not_applied=applied.obstacle, apply_ms=applied.ms)
        for number in comparing.to_run():
            if number not in attempt.victims:
                if stage.plan(self.items[number]).shape != plans[number].shape:
                    without = Runs(reason="the sizes that the rollback left behind gave it another plan")
                    comparing.runs[number] = (without, comparing.runs[number][1])
                    continue
                without = in_a_block(stage, self.items[number], self.rules, self.clock)
                comparing.runs[number] = (without, comparing.runs.get(number, (Runs(), Runs()))[1])
        return Measured(
            attempt=attempt,
            where="in_place",
            void=disturbed(pulse, take_pulse(self.connection), sizes=False) or rows.unknown,
            other_rows=rows.other_rows,
            notes=(*rows.notes, *comparing.notes()),
            queries=comparing.measures(),
            apply_ms=applied.ms,
            index_kb=applied.index_kb,
        )

    def _inside(self, attempt: Attempt, comparing: Comparing) -> tuple[Applied, RowsCompared]:
        """Everything between BEGIN and ROLLBACK."""
        self.report(f"applying {attempt.title}, to be rolled back")
        held = Clock(min(self.rules.hold_ms, self.clock.left_ms()))
        limits = Limits(statement_ms=int(self.rules.hold_ms), lock_ms=_LOCK_MS, idle_ms=int(self.rules.hold_ms))
        run = self.connection.execute
        # what fills a table and what reads it have to see one state of the data
        level = b"REPEATABLE READ" if attempt.fillings else b"READ COMMITTED"
        run(b"BEGIN TRANSACTION ISOLATION LEVEL " + level + b" READ WRITE")
        try:
            run(limit_statements(limits, watched=False).encode())
            if self.connection.info.server_version >= 170000:
                # the server itself ends the transaction, and the session with it, should this process hang
                run(f"SET LOCAL transaction_timeout = {int(self.rules.hold_ms) + 1000}".encode())
            applied = apply(
                self.connection,
                attempt.statements,
                limit_ms=held.left_ms(),
                inside=True,
                built_in_only=bool(attempt.victims & self.from_files),
            )
            rows = RowsCompared() if applied.obstacle is not None else self._look(attempt, comparing, held)
            return applied, rows
        finally:
            with contextlib.suppress(psycopg.Error):
                run(b"ROLLBACK")

    def _look(self, attempt: Attempt, comparing: Comparing, held: Clock) -> RowsCompared:
        """Plan all queries and run those that matter, while the time to hold locks lasts."""
        changed = with_the_change(self.items, attempt)
        for number, item in enumerate(changed):
            comparing.after[number] = self._plan(item, held)
        for number in comparing.to_run():
            self.report(f"{attempt.title}: {self.items[number].name} with it")
            without, _ = comparing.runs.get(number, (Runs(), Runs()))
            runs = self._runs(changed[number], held)
            if number in attempt.victims:
                self._gather(changed[number], runs, held)
            comparing.runs[number] = (without, runs)
        return compare_rows(lambda item: self._count(item, held), self.items, changed, attempt)

    def _count(self, item: QueryItem, held: Clock) -> int | str:
        """The single number that a query gives, or why none came; planned first, as whatever is run."""
        if held.left_ms() < 1:
            return "the time to hold locks was over"
        try:
            with self._savepoint(item, held) as inside:
                planned = inside.explain(planning_options(self.connection.info.server_version))
                found = self._volatile(planned, item)
                return found or inside.count(item.text, int(max(held.left_ms(), 1)))
        except NotPermitted as refused:
            return str(refused)
        except psycopg.Error as error:
            if self.connection.closed:
                raise
            return first_line(error)

    def _volatile(self, planned: Any, item: QueryItem) -> str | None:
        """Why a plan is not run for what it may call; None where it may be."""
        if self.rules.permission.volatile:
            return None
        found = PlannedCalls(self.connection).volatile(planned, writing=item.kind == "write")
        return f"it may call {', '.join(found)}, volatile and so able to act outside" if found else None

    def _plan(self, item: QueryItem, held: Clock) -> Planned:
        if item.parameters or item.kind == "unfit":
            return Planned(None, item.reason or "no values are given for its parameters ($1, …)")
        try:
            with self._savepoint(item, held) as inside:
                document = inside.explain(planning_options(self.connection.info.server_version))
                return Planned(as_run(document[0]["Plan"]))
        except psycopg.Error as error:
            if self.connection.closed:
                raise
            return Planned(None, first_line(error))
        except NotPermitted as refused:
            return Planned(None, str(refused))

    def _runs(self, item: QueryItem, held: Clock) -> Runs:
        runs = Runs()
        refusal = refusal_of(item, self.rules.permission)
        if refusal is not None:
            runs.reason = refusal.reason
            return runs
        rounds = 1
        while len(runs.ms) < rounds:
            if held.left_ms() < 1:
                runs.reason = None if runs.ms else "the time to hold locks was over before it could be timed"
                break
            ms = self._run(item, runs, held)
            if ms is None:
                break
            if runs.last is not None and rounds == 1:
                rounds = rounds_for(ms, self.rules) + 2
        return runs

    def _run(self, item: QueryItem, runs: Runs, held: Clock) -> float | None:
        version = self.connection.info.server_version
        try:
            with self._savepoint(item, held) as inside:
                planned = inside.explain(planning_options(version))
                runs.reason = self._volatile(planned, item)
                if runs.reason is not None:
                    return None
                options = running_options(version, writes=item.kind == "write", timing=False)
                document = inside.explain(options)
        except psycopg.errors.QueryCanceled:
            runs.reason = None if runs.ms else "it did not end within the time to hold locks"
            return None
        except NotPermitted as refused:
            runs.reason = str(refused)
            return None
        except psycopg.Error as error:
            if self.connection.closed:
                raise
            runs.reason = first_line(error)
            return None
        runs.last = QueryRun(item, "ran", version, document=document, planned=planned, filled_ms=inside.filled_ms)
        runs.add(runs.last)
        return runs.ms[-1]

    def _gather(self, item: QueryItem, runs: Runs, held: Clock) -> None:
        """Add the facts of the catalog as the open transaction sees it, if the time to hold locks leaves any."""
        if runs.last is None or held.left_ms() < _FACTS_MS:
            return
        capture = capture_of_run(runs.last)
        if capture.explain is None:
            return
        with contextlib.suppress(StatementFailed, NotPermitted), self._savepoint(item, held):
            (catalog,) = read_catalogs(self.connection, [lay_out(capture.explain.plan)], trust="own_list")
            runs.capture = capture.model_copy(update={"catalog": catalog})

    @contextlib.contextmanager
    def _savepoint(self, item: QueryItem, held: Clock) -> Iterator[ItemTransaction]:
        limits = replace(self.rules.limits, statement_ms=int(max(held.left_ms(), 1)), idle_ms=int(self.rules.hold_ms))
        admit = Executor(self.connection, self.rules.permission).admit
        with item_savepoint(self.connection, item, limits, admit, writes=self.rules.permission.writes) as inside:
            yield filled(inside, PlannedCalls(self.connection), limits)
