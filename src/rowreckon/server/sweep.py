"""A sweep: every item of a list, one after another, each with everything that its audit needs.

Whatever happens (a time limit, Ctrl-C, a lost connection), each item has its capture in the end.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass, field

from rowreckon.capture import Capture
from rowreckon.errors import CannotConnect

from .captured import with_facts
from .connection import Connection
from .execute import Executor
from .measure import SweepRules, measure
from .querylist import QueryItem

Connect = Callable[[], AbstractContextManager[Connection]]
"""Makes a new connection each time."""
SweepProgress = Callable[[str, int, int], None]
"""What is being done, how many items are done, how many there are."""


@dataclass(slots=True)
class Swept:
    """One capture an item, in order; `interrupted` by Ctrl-C; `notes` on what befell the sweep as a whole."""

    captures: list[Capture]
    interrupted: bool = False
    notes: list[str] = field(default_factory=list)


def sweep(
    connect: Connect,
    items: Sequence[QueryItem],
    rules: SweepRules,
    *,
    progress: SweepProgress | None = None,
    known: Mapping[int, Capture] | None = None,
    on_capture: Callable[[int, Capture], None] | None = None,
) -> Swept:
    """Run the items, read the facts, give the captures.

    `known` are captures of an earlier sweep by item number, which are not run again. `on_capture` gets each capture
    as soon as it is there, still without facts. Raises CannotConnect only for the first connection.
    """
    return _Sweep(connect, items, rules, progress or _silent, on_capture, dict(known or {})).go()


@dataclass(slots=True)
class _Sweep:
    connect: Connect
    items: Sequence[QueryItem]
    rules: SweepRules
    report: SweepProgress
    on_capture: Callable[[int, Capture], None] | None
    done: dict[int, Capture]
    notes: list[str] = field(default_factory=list)
    connection: Connection | None = None
    reconnected: bool = False

    def go(self) -> Swept:
        interrupted = False
        with ExitStack() as stack:
            self.connection = stack.enter_context(self.connect())
            at = 0
            try:
                self._items(stack)
            except KeyboardInterrupt:
                interrupted = True
                at = next((n for n in range(len(self.items)) if n not in self.done), len(self.items))
            self._rest(at if interrupted else None, interrupted=interrupted)
            captures = [self.done[n] for n in range(len(self.items))]
            try:
                captures = self._facts(captures)
            except KeyboardInterrupt:
                interrupted = True
                self.notes.append("interrupted while the catalog's facts were read: the audit does without them")
        return Swept(captures, interrupted, self.notes)

    def _items(self, stack: ExitStack) -> None:
        """Run what is not done yet."""
        begun = time.perf_counter()
        executor = self._executor()
        for number, item in enumerate(self.items):
            if number in self.done:
                continue
            self.report(item.name, number, len(self.items))
            left = None
            if self.rules.total_ms is not None:
                left = self.rules.total_ms - (time.perf_counter() - begun) * 1000.0
                if left <= 0:
                    self._keep(number, _skipped(item, "the sweep's total time was spent before its turn"))
                    continue
            if executor is None:
                self._keep(number, _skipped(item, "the connection to the server was lost before its turn"))
                continue
            measured = measure(executor, item, self.rules, left_ms=left)
            capture = measured.capture
            if measured.lost:
                self.connection = self._again(stack)
                executor = self._executor()
                told = "made anew" if executor is not None else "could not be made anew"
                note = f"the connection was lost during this query; it was {told} for the queries after it"
                capture = capture.model_copy(update={"notes": (*capture.notes, note)})
                self.notes.append(f"the connection was lost during {item.name!r}, and {told} for the rest")
            self._keep(number, capture)

    def _executor(self) -> Executor | None:
        if self.connection is None:
            return None
        return Executor(self.connection, self.rules.permission, self.rules.limits)

    def _again(self, stack: ExitStack) -> Connection | None:
        """A new connection for the one that was lost, once in a sweep."""
        if self.reconnected:
            return None
        self.reconnected = True
        for pause in (0.0, 1.0, 3.0):
            time.sleep(pause)
            try:
                return stack.enter_context(self.connect())
            except CannotConnect:
                continue
        return None

    def _keep(self, number: int, capture: Capture) -> None:
        self.done[number] = capture
        if self.on_capture is not None:
            self.on_capture(number, capture)

    def _rest(self, running: int | None, *, interrupted: bool) -> None:
        """A capture for every item that has none."""
        for number, item in enumerate(self.items):
            if number not in self.done:
                why = "interrupted while it ran" if number == running else "interrupted before its turn"
                self._keep(number, _skipped(item, why if interrupted else "it was not run"))

    def _facts(self, captures: list[Capture]) -> list[Capture]:
        self.report("reading the catalog's facts", len(self.items), len(self.items))
        if self.connection is None or self.connection.closed:
            note = "without catalog facts: the connection was lost"
            return [c.model_copy(update={"notes": (*c.notes, note)}) if c.explain else c for c in captures]
        return with_facts(self.connection, self.items, captures, with_values=self.rules.with_values)


def _skipped(item: QueryItem, reason: str) -> Capture:
    return Capture(name=item.name, query=item.written or item.text, outcome="skipped", line=item.line, reason=reason)


def _silent(step: str, done: int, total: int) -> None:
    """Report nothing."""
