"""A sweep: every item of a list, one after another, each with everything that its audit needs.

Whatever happens (a time limit, Ctrl-C, a lost connection), each item has its capture in the end.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, ExitStack, suppress
from dataclasses import dataclass, field

from rowreckon.capture import WITHOUT_FACTS, Capture
from rowreckon.errors import CannotConnect, StatementFailed
from rowreckon.server.connecting.connection import Connection, ended
from rowreckon.server.executing.execute import Executor
from rowreckon.server.lists.querylist import QueryItem
from rowreckon.server.sweeping.captured import with_facts
from rowreckon.server.sweeping.measure import SweepRules, measure
from rowreckon.server.sweeping.run_facts import Here, read_here, run_facts, stamped
from rowreckon.signals import deferred, held

Connect = Callable[[], AbstractContextManager[Connection]]
"""Makes a new connection each time."""
SweepProgress = Callable[[str, int, int], None]
"""What is being done, how many items are done, how many there are."""

_MOST_S = 10.0
_TOGETHER = 25
"""Items whose facts are read at once: few questions to the catalogs, and not all work left for the end."""
_FIRST = 8
"""The same at first, so that the audit beside the sweep begins soon."""


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
    on_run: Callable[[Capture], None] | None = None,
    on_capture: Callable[[Capture], None] | None = None,
) -> Swept:
    """Run the items, read the facts, give the captures.

    `known` are captures of an earlier sweep by item number, which are not run again. `on_run` gets each new capture as
    soon as it is there, still without facts; `on_capture` each finished one, in the items' order. Raises CannotConnect
    only for the first connection.
    """
    done = dict(known or {})
    return _Sweep(connect, items, rules, progress or _silent, on_run or _ignore, on_capture or _ignore, done).go()


def unswept(items: Sequence[QueryItem]) -> Swept:
    """What comes of a sweep that was interrupted before it began."""
    return Swept([_skipped(item, "interrupted before its turn") for item in items], interrupted=True)


@dataclass(slots=True)
class _Sweep:
    connect: Connect
    items: Sequence[QueryItem]
    rules: SweepRules
    report: SweepProgress
    on_run: Callable[[Capture], None]
    on_capture: Callable[[Capture], None]
    done: dict[int, Capture]
    notes: list[str] = field(default_factory=list)
    connection: Connection | None = None
    here: Here | None = None
    reconnected: bool = False
    running: int | None = None
    without_facts: list[int] = field(default_factory=list)
    from_files: frozenset[int] = frozenset()
    handed_on: int = 0
    stack: ExitStack = field(default_factory=ExitStack)

    def go(self) -> Swept:
        interrupted = False
        with self.stack:
            try:
                self.connection = self.stack.enter_context(self.connect())
                with suppress(StatementFailed):
                    self.here = read_here(self.connection)
                # what an earlier sweep could not finish lacks its facts; its plans are those of a file
                self.from_files = frozenset(self.done)
                self.without_facts = [n for n, c in sorted(self.done.items()) if c.explain and c.catalog is None]
                self._items()
            except KeyboardInterrupt:
                interrupted = True
            with held():
                self._rest(interrupted=interrupted)
            try:
                self.report("reading the catalog's facts", len(self.items), len(self.items))
                self._facts(again=not interrupted)
            except KeyboardInterrupt:
                interrupted = True
                self.notes.append("interrupted while the catalog's facts were read: the audit does without them")
            with held():
                self.without_facts.clear()
                self._hand_on()
        return Swept([self.done[n] for n in range(len(self.items))], interrupted, self.notes)

    def _items(self) -> None:
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
            if self._awakened():
                executor = self._executor()
            if executor is None:
                self._keep(number, _skipped(item, "the connection to the server was lost before its turn"))
                continue
            self.running = number
            measured = measure(executor, item, self.rules, left_ms=left)
            capture = measured.capture
            self.running = None
            if measured.lost:
                self.connection = self._again()
                executor = self._executor()
                told = "made anew" if executor is not None else "could not be made anew"
                note = f"the connection was lost during this query; it was {told} for the queries after it"
                capture = capture.model_copy(update={"notes": (*capture.notes, note)})
                self.notes.append(f"the connection was lost during {item.name!r}, and {told} for the rest")
            self._keep(number, capture)
            if len(self.without_facts) >= (_TOGETHER if self.handed_on else _FIRST):
                self._facts()

    def _executor(self) -> Executor | None:
        if self.connection is None:
            return None
        return Executor(self.connection, self.rules.permission, self.rules.limits)

    def _again(self) -> Connection | None:
        """A new connection for the one that was lost, once in a sweep."""
        if self.reconnected:
            return None
        self.reconnected = True
        return self._connected()

    def _awakened(self) -> bool:
        """Whether the server had ended the session between two statements, so that a new one was made."""
        if self.connection is None or not ended(self.connection):
            return False
        self.connection = self._connected()
        told = "was made anew" if self.connection is not None else "could not be made anew"
        self.notes.append(f"the server ended the session while it was idle; it {told}")
        return True

    def _connected(self) -> Connection | None:
        """A new connection, as soon as the server gives one; None where it does not within half a minute."""
        begun = time.monotonic()
        for pause in (0.0, 1.0, 3.0):
            time.sleep(pause)
            if time.monotonic() - begun > _MOST_S:
                break
            try:
                return self.stack.enter_context(self.connect())
            except CannotConnect:
                continue
        return None

    def _keep(self, number: int, capture: Capture) -> None:
        if self.here is not None:
            capture = stamped(capture, run_facts(self.here, self.items[number], self.rules.limits))
        with deferred():
            self.done[number] = capture
            if capture.explain is not None:
                self.without_facts.append(number)
            self.on_run(capture)

    def _rest(self, *, interrupted: bool) -> None:
        """A capture for every item that has none."""
        for number, item in enumerate(self.items):
            if number not in self.done:
                why = "interrupted while it ran" if number == self.running else "interrupted before its turn"
                self._keep(number, _skipped(item, why if interrupted else "it was not run"))

    def _facts(self, *, again: bool = True) -> None:
        """The facts of all captures that still lack them; what is complete is handed on. A connection that was lost is
        made `again` first."""
        numbers = self.without_facts
        captures = [self.done[n] for n in numbers]
        if again:
            self._awakened()
        if self.connection is None or self.connection.closed:
            note = f"{WITHOUT_FACTS}the connection to the server was lost"
            found = [c.model_copy(update={"notes": (*c.notes, note)}) for c in captures]
        else:
            items = [self.items[n] for n in numbers]
            files = {at for at, number in enumerate(numbers) if number in self.from_files}
            found = with_facts(self.connection, items, captures, from_files=files, with_values=self.rules.with_values)
        self.done.update(zip(numbers, found, strict=True))
        self.without_facts = []
        self._hand_on()

    def _hand_on(self) -> None:
        """Finished captures, in the items' order."""
        waiting = set(self.without_facts)
        while self.handed_on in self.done and self.handed_on not in waiting:
            with deferred():
                self.on_capture(self.done[self.handed_on])
                self.handed_on += 1


def _skipped(item: QueryItem, reason: str) -> Capture:
    return Capture(name=item.name, query=item.written or item.text, outcome="skipped", line=item.line, reason=reason)


def _silent(step: str, done: int, total: int) -> None:
    """Report nothing."""


def _ignore(capture: Capture) -> None:
    """Pass the capture by."""
