"""A trial from beginning to end: attempt after attempt within the budget, then the best together; always an account.

Ctrl-C cancels what runs, drops the copies and keeps what is done.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import Protocol

import psycopg

from rowreckon.capture import Capture
from rowreckon.document.audit import Audit, Combination, NotTried, TrialAccount
from rowreckon.errors import CannotConnect, StatementFailed
from rowreckon.server.connecting.connection import Connection
from rowreckon.server.lists.querylist import QueryItem
from rowreckon.server.trials.copies import ConnectTo, copies
from rowreckon.server.trials.in_place import InPlace
from rowreckon.server.trials.on_copies import OnCopies
from rowreckon.server.trials.rules import TrialRules
from rowreckon.server.trials.stage import Clock
from rowreckon.server.trials.staying import ConnectionLost, lost
from rowreckon.trial.combining import best_combination
from rowreckon.trial.hurting import culprits, hurt_by, menders
from rowreckon.trial.index_size import expected_index_kb
from rowreckon.trial.judge import Judged, judge
from rowreckon.trial.measured import Attempt, Measured
from rowreckon.trial.planning import attempt_of, temporary_obstacle
from rowreckon.trial.ranking import rank_measured
from rowreckon.trial.rollback import left_behind

_MOST_LOSSES = 3
"""The number of lost connections after which the server is left alone."""
_ROOM_TOGETHER = 2.0
"""Trying the best changes together is expected to take the longest trial's time, times this."""

TrialProgress = Callable[[str, int, int], None]
"""What is being done, how many attempts are done, how many there are."""


class _Place(Protocol):
    def try_(self, attempt: Attempt) -> Measured: ...


@dataclass(slots=True)
class Tried:
    """The audit with its trials, ranked by what was measured; `interrupted` by Ctrl-C."""

    audit: Audit
    interrupted: bool = False


@dataclass(slots=True)
class TrialSession:
    """What a trial works with. `items` are the list's, by the numbers of the audit's plans."""

    connect: ConnectTo
    items: Sequence[QueryItem]
    captures: Sequence[Capture]
    audit: Audit
    attempts: Sequence[Attempt]
    rules: TrialRules
    progress: TrialProgress
    from_files: frozenset[int] = frozenset()
    """Numbers of the plans whose captures were read from files."""
    judged: dict[int, Judged] = field(default_factory=dict)
    not_tried: list[NotTried] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    left: list[str] = field(default_factory=list)
    """Statements that were run in place and rolled back."""
    combination: Combination | None = None
    further: Combination | None = None
    """A larger set than `combination`, which slows a query."""
    interrupted: bool = False
    _done: int = 0
    _losses: int = 0

    def on_copies(self, admin: Connection, database: str, size_kb: float, *, pair: bool) -> Tried:
        """Try on copies, made and dropped over `admin`, a connection to the source. Raises nothing but CannotConnect
        and what dropping the copies raises."""
        with copies(self.connect, admin, database, size_kb) as maker:
            clock = Clock(self.rules.budget_ms)
            place = OnCopies(
                maker,
                self.audit,
                self.items,
                self.rules,
                clock,
                pair,
                self._report,
                from_files=self.from_files,
            )
            self._all(place, place.clock, combine=True)
        self.notes += maker.notes
        account = TrialAccount(
            where="copy",
            copies=maker.made,
            database_kb=round(size_kb, 1),
            copy_ms=None if maker.copy_ms is None else round(maker.copy_ms, 1),
        )
        return self._tried(account)

    def in_place(self, connection: Connection) -> Tried:
        """Try in transactions that are rolled back."""
        # asked first: a connection that was lost meanwhile tells nothing any more
        version = connection.info.server_version
        clock = Clock(self.rules.budget_ms)
        with ExitStack() as again:
            place = InPlace(
                connection,
                self.audit,
                self.items,
                self.rules,
                clock,
                self._report,
                from_files=self.from_files,
                reconnect=lambda: again.enter_context(self.connect(None)),
            )
            self._all(place, place.clock, combine=False)
        stays = left_behind(self.left, version)
        return self._tried(TrialAccount(where="in_place", left_behind=stays))

    def _all(self, place: _Place, clock: Clock, *, combine: bool) -> None:
        waiting = list(self.attempts)
        longest_ms = 0.0
        try:
            while waiting:
                attempt = waiting[0]
                left_ms = clock.left_ms()
                reason = self._unfit(attempt) or (None if left_ms > 0 else "the trial's time was spent before")
                if reason is None and combine and left_ms < _ROOM_TOGETHER * longest_ms and self._best() is not None:
                    reason = "the trial's time was kept for the best changes together"
                if reason is not None:
                    self._leave(attempt, reason)
                elif not self._try(place, attempt, clock):
                    return
                longest_ms = max(longest_ms, left_ms - clock.left_ms())
                waiting.pop(0)
                self._done += 1
            if combine:
                self._together(place, clock)
        except KeyboardInterrupt:
            self.interrupted = True
            for attempt in waiting:
                self._leave(attempt, "interrupted before it was tried to the end")
        except CannotConnect as error:
            for attempt in waiting:
                self._leave(attempt, f"the connection to the server was lost: {error.sentence()}")

    def _best(self, left_out: frozenset[int] = frozenset()) -> Attempt | None:
        """What is to be tried together, as far as is known, without some changes."""
        return best_combination([r for r in self.audit.remedies if r.rank not in left_out], self.judged)

    def _try(self, place: _Place, attempt: Attempt, clock: Clock) -> bool:
        """One attempt; False where no further can be made."""
        try:
            measured = place.try_(attempt)
        except StatementFailed as error:
            for waiting in self.attempts[self._done :]:
                self._leave(waiting, error.sentence())
            return False
        except (psycopg.Error, ConnectionLost) as error:
            self._leave(attempt, _how_lost(error))
            self._losses += 1
            if self._losses < _MOST_LOSSES:
                return True
            for waiting in self.attempts[self._done + 1 :]:
                self._leave(waiting, f"the connection to the server was lost {_MOST_LOSSES} times before its turn")
            return False
        self._note_leaks(measured)
        if measured.not_applied is not None and clock.left_ms() <= 0:
            self._leave(attempt, "the trial's time was spent before it was applied")
        else:
            self.judged[attempt.ranks[0]] = judge(self.audit, measured)
        return True

    def _together(self, place: _Place, clock: Clock) -> None:
        """The best of those that helped together. Where that slows a query: with what may mend it, and where that does
        not, without the changes that do."""
        left_out: frozenset[int] = frozenset()
        while (attempt := self._best(left_out)) is not None:
            if clock.left_ms() <= 0:
                what = (
                    "the best changes could be tried together"
                    if not left_out
                    else "a set that slows no query was found"
                )
                self.notes.append(f"the trial's time was spent before {what}")
                return
            judged = self._set_tried(place, attempt)
            if judged is None:
                return
            tried = _combination(attempt, judged)
            hurt = hurt_by(judged)
            if not hurt:
                self.combination = tried
                return
            if self._mended(place, attempt, hurt, clock):
                return
            self.further = self.further or tried
            left_out |= culprits(attempt.ranks, self.judged, hurt)

    def _mended(self, place: _Place, attempt: Attempt, hurt: Collection[str], clock: Clock) -> bool:
        """Try the set with the other changes that may mend those queries; whether it then slows nobody."""
        more = menders(attempt.ranks, self.judged, hurt)
        if not more or clock.left_ms() <= 0:
            return False
        wanted = {*attempt.ranks, *more}
        larger = attempt_of([r for r in self.audit.remedies if r.rank in wanted])
        judged = self._set_tried(place, larger)
        if judged is None or hurt_by(judged) or judged.trial.verdict != "helped":
            return False
        self.combination = _combination(larger, judged)
        return True

    def _set_tried(self, place: _Place, attempt: Attempt) -> Judged | None:
        try:
            return judge(self.audit, place.try_(attempt))
        except StatementFailed as error:
            self.notes.append(f"the best changes could not be tried together: {error.sentence()}")
        except (psycopg.Error, ConnectionLost) as error:
            self.notes.append(f"the best changes could not be tried together: {_how_lost(error)}")
        return None

    def _unfit(self, attempt: Attempt) -> str | None:
        """Why an attempt is not begun: no statement, a table of another session, an index that will be too large."""
        if not attempt.statements and not attempt.settings and not attempt.rewritten:
            return "no statement is written for it: the report says why"
        most = self.rules.max_index_kb
        temporary = temporary_obstacle(attempt)
        if temporary is not None or most is None:
            return temporary
        for remedy in attempt.remedies:
            expected = expected_index_kb(remedy, self.captures)
            if expected is not None and expected > most:
                return f"its index would take about {expected:,.0f} kB, more than --max-index allows"
        return None

    def _note_leaks(self, measured: Measured) -> None:
        begun = measured.apply_ms is not None
        if measured.where == "in_place" and begun:
            self.left.extend(measured.attempt.all_statements)

    def _leave(self, attempt: Attempt, reason: str) -> None:
        self.not_tried += [NotTried(rank=rank, reason=reason) for rank in attempt.ranks]

    def _report(self, what: str) -> None:
        self.progress(what, self._done, len(self.attempts) + 1)

    def _tried(self, account: TrialAccount) -> Tried:
        """The audit in its new order; the account's numbers follow it."""
        ranked = rank_measured(self.audit, self.judged)
        order = {old: new for new, old in enumerate(_old_ranks(self.audit, ranked), start=1)}
        account = account.model_copy(
            update={
                "budget_ms": self.rules.budget_ms,
                "combination": _renumbered(self.combination, order),
                "further": _renumbered(self.further, order),
                "not_tried": tuple(n.model_copy(update={"rank": order[n.rank]}) for n in self.not_tried),
                "notes": tuple(self.notes),
            }
        )
        return Tried(ranked.model_copy(update={"trials": account}), self.interrupted)


def _combination(attempt: Attempt, judged: Judged) -> Combination:
    return Combination(ranks=attempt.ranks, trial=judged.trial, side_effects=judged.side_effects)


def _renumbered(tried: Combination | None, order: dict[int, int]) -> Combination | None:
    if tried is None:
        return None
    return tried.model_copy(update={"ranks": tuple(sorted(order[rank] for rank in tried.ranks))})


def _how_lost(error: psycopg.Error | ConnectionLost) -> str:
    return str(error) if isinstance(error, ConnectionLost) else str(lost(error))


def _old_ranks(before: Audit, after: Audit) -> list[int]:
    """The ranks that the remedies had before, in their new order; a remedy is known by its statements."""
    known = {(remedy.sql, remedy.reason): remedy.rank for remedy in before.remedies}
    return [known[remedy.sql, remedy.reason] for remedy in after.remedies]
