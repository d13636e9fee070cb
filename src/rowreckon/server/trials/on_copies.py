"""One attempt on copies of the database: on two at a time where they fit, else on one, made afresh between blocks."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field

from rowreckon.document.audit import Audit
from rowreckon.errors import StatementFailed
from rowreckon.server.connecting.connection import Connection
from rowreckon.server.lists.querylist import QueryItem
from rowreckon.server.trials.apply import Applied, apply, refresh
from rowreckon.server.trials.comparing import Comparing, Report
from rowreckon.server.trials.copies import Copies
from rowreckon.server.trials.measuring import in_a_block, patience_ms, take_turns
from rowreckon.server.trials.pulse import disturbed, take_pulse
from rowreckon.server.trials.reach import altered, out_of_reach
from rowreckon.server.trials.rewritten import Count, RowsCompared, compare_rows, rewriting_obstacle, with_the_change
from rowreckon.server.trials.rules import TrialRules
from rowreckon.server.trials.stage import Clock, Planned, Runs, Stage
from rowreckon.trial.measured import Attempt, Measured
from rowreckon.trial.planning import gathers_statistics


@dataclass(slots=True)
class OnCopies:
    """Makes attempts on copies. `plain` is the unchanged copy, made when first needed and kept to the end."""

    copies: Copies
    audit: Audit
    items: Sequence[QueryItem]
    rules: TrialRules
    clock: Clock
    pair: bool
    report: Report
    plain: str | None = None
    plans: dict[int, Planned] = field(default_factory=dict)
    """Plans without any change, by number."""
    from_files: frozenset[int] = frozenset()
    """The plans that were read from files: what they propose may call nothing but PostgreSQL's own functions."""

    def try_(self, attempt: Attempt) -> Measured:
        """Apply, look, measure, drop.

        Raises StatementFailed where no copy can be made; CannotConnect, psycopg.Error.
        """
        obstacle = rewriting_obstacle(attempt, self.items, self.from_files)
        if obstacle is not None:
            return _nothing(attempt, obstacle, Applied())
        return self._pair(attempt) if self.pair else self._single(attempt)

    def _pair(self, attempt: Attempt) -> Measured:
        if self.plain is None:
            self.report("copying the database")
            self.plain = self.copies.make()
        if not attempt.statements:
            # nothing of the database is changed: another session on the same copy does
            return self._measured_on(self.plain, attempt)
        self.report(f"copying for {attempt.title}")
        name = self.copies.make(self.plain)
        try:
            return self._measured_on(name, attempt)
        finally:
            self._drop(name)

    def _measured_on(self, name: str, attempt: Attempt) -> Measured:
        """Apply the change on this copy, and compare it with the unchanged one."""
        with self.copies.session(name) as changed:
            self.report(f"applying {attempt.title}")
            applied = self._apply(changed, attempt)
            obstacle = self._obstacle(applied)
            if obstacle is not None:
                return _nothing(attempt, obstacle, applied)
            assert self.plain is not None
            with self.copies.session(self.plain) as plain:
                before = Stage(plain, self.rules.permission, self.rules.limits)
                after = Stage(changed, self.rules.permission, self.rules.limits)
                return self._compare(attempt, before, after, applied)

    def _compare(self, attempt: Attempt, before: Stage, after: Stage, applied: Applied) -> Measured:
        """Two stages side by side."""
        self._plan_all(before)
        comparing = Comparing(self.audit, self.items, attempt, self.rules, self.plans)
        with_change = with_the_change(self.items, attempt)
        pulses = take_pulse(before.connection), take_pulse(after.connection)
        self.report(f"planning all queries with {attempt.title}")
        reached = self._plan_again(after, with_change, comparing)

        def run(numbers: Sequence[int]) -> None:
            for number in numbers:
                if self.clock.left_ms() <= 0:
                    comparing.runs[number] = (Runs(reason="the trial's time was spent before its turn"), Runs())
                    continue
                self.report(f"{attempt.title}: {self.items[number].name}")
                pair = take_turns(before, self.items[number], after, with_change[number], self.rules, self.clock)
                if number in attempt.victims:
                    after.gather(with_change[number], pair[1], self.rules.threshold)
                comparing.runs[number] = pair

        run(comparing.to_run())
        rows = compare_rows(self._counting(after), self.items, with_change, attempt)
        void = disturbed(pulses[0], take_pulse(before.connection)) or disturbed(pulses[1], take_pulse(after.connection))
        if any(map(gathers_statistics, attempt.statements)):
            for _ in range(1, self.rules.samples):
                if self.clock.left_ms() <= 0 or refresh(
                    after.connection, attempt.statements, limit_ms=self.clock.left_ms()
                ):
                    break
                comparing.samples += 1
                self.report(f"{attempt.title}: another sample of ANALYZE")
                fresh = [
                    number
                    for number in reached
                    if comparing.note_sample(number, after.plan(with_change[number])) and number not in attempt.victims
                ]
                run(fresh)
        return _measured(comparing, applied, void, rows)

    def _counting(self, stage: Stage) -> Count:
        """Counts on a stage, for as long as the trial's time lasts."""
        return lambda item: stage.count(item, self.clock.left_ms())

    def _single(self, attempt: Attempt) -> Measured:
        """One copy at a time: blocks without and with the change, the others' times without it on a second copy."""
        self.report(f"copying for {attempt.title}")
        name = self.copies.make()
        with_change = with_the_change(self.items, attempt)
        try:
            with self.copies.session(name) as connection:
                stage = Stage(connection, self.rules.permission, self.rules.limits)
                self._plan_all(stage)
                comparing = Comparing(self.audit, self.items, attempt, self.rules, self.plans)
                pulse = take_pulse(connection)
                self._block(stage, self.items, sorted(attempt.victims), comparing, side=0)
                void = disturbed(pulse, take_pulse(connection))
                self.report(f"applying {attempt.title}")
                applied = self._apply(connection, attempt)
                obstacle = self._obstacle(applied)
                if obstacle is not None:
                    return _nothing(attempt, obstacle, applied)
                pulse = take_pulse(connection)
                self._plan_again(stage, with_change, comparing)
                self._block(stage, with_change, comparing.to_run(), comparing, side=1)
                rows = compare_rows(self._counting(stage), self.items, with_change, attempt)
                void = void or disturbed(pulse, take_pulse(connection))
        finally:
            self._drop(name)
        others = [n for n in comparing.to_run() if n not in attempt.victims]
        if others and self.clock.left_ms() > 0:
            self.report(f"copying again for the queries beside {attempt.title}")
            name = self.copies.make()
            try:
                with self.copies.session(name) as connection:
                    stage = Stage(connection, self.rules.permission, self.rules.limits)
                    self._block(stage, self.items, others, comparing, side=0)
            finally:
                self._drop(name)
        return _measured(comparing, applied, void, rows)

    def _block(
        self, stage: Stage, items: Sequence[QueryItem], numbers: Sequence[int], comparing: Comparing, *, side: int
    ) -> None:
        for number in numbers:
            self.report(f"{comparing.attempt.title}: {items[number].name}")
            pair = list(comparing.runs.get(number, (Runs(), Runs())))
            known = pair[0].times().median if side else None
            limit = patience_ms(known, self.rules) if known is not None else None
            pair[side] = in_a_block(stage, items[number], self.rules, self.clock, limit)
            if side == 1 and number in comparing.attempt.victims:
                stage.gather(items[number], pair[side], self.rules.threshold)
            comparing.runs[number] = (pair[0], pair[1])

    def _plan_all(self, stage: Stage) -> None:
        if not self.plans:
            self.report("planning all queries without a change")
            self.plans = {number: stage.plan(item) for number, item in enumerate(self.items)}

    def _plan_again(self, stage: Stage, items: Sequence[QueryItem], comparing: Comparing) -> list[int]:
        """Plan with the change each query that it can reach, which are given; the others keep their plan."""
        tables = altered(stage.connection, comparing.attempt.statements)
        reached: list[int] = []
        for number, item in enumerate(items):
            known = self.plans[number]
            if number not in comparing.attempt.victims and out_of_reach(known, tables):
                comparing.after[number] = known
                continue
            reached.append(number)
            comparing.after[number] = stage.plan(item)
        return reached

    def _apply(self, connection: Connection, attempt: Attempt) -> Applied:
        from_file = bool(attempt.victims & self.from_files)
        return apply(connection, attempt.statements, limit_ms=self.clock.left_ms(), built_in_only=from_file)

    def _obstacle(self, applied: Applied) -> str | None:
        most = self.rules.max_index_kb
        if applied.obstacle is None and most is not None and (applied.index_kb or 0.0) > most:
            return f"its index takes {applied.index_kb or 0:,.0f} kB, more than --max-index allows"
        return applied.obstacle

    def _drop(self, name: str) -> None:
        """What can't be dropped now is tried again at the end of the trial, and told there."""
        with suppress(StatementFailed):
            self.copies.drop(name)


def _nothing(attempt: Attempt, obstacle: str, applied: Applied) -> Measured:
    return Measured(attempt=attempt, where="copy", not_applied=obstacle, apply_ms=applied.ms)


def _measured(comparing: Comparing, applied: Applied, void: str | None, rows: RowsCompared) -> Measured:
    return Measured(
        attempt=comparing.attempt,
        where="copy",
        void=void or rows.unknown,
        other_rows=rows.other_rows,
        notes=(*rows.notes, *comparing.notes()),
        queries=comparing.measures(),
        apply_ms=applied.ms,
        index_kb=applied.index_kb,
    )
