"""An answer held against the truth: was the cause right, did the first remedy help, did others pay for it."""

from __future__ import annotations

import statistics
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import psycopg

from rowreckon.document.audit import Remedy

from .asking import Answer, answer
from .measuring import Seen, explained, join_methods, shape, worst_q_error
from .model import FEWER_PAGES, MENDED, Fault, Place, Trap
from .sessions import after, before, seeded

SLOWER: Final = 1.2
_NOTICED_MS: Final = 1.0
_RUNS: Final = 7


@dataclass(frozen=True)
class Judged:
    """What came of one fault; `helped` is None where no remedy was offered, or none that could be run.

    `turns`: this bench's own cure brings other join methods, so that there is something to win; asked where the product
    offers nothing.
    """

    fault: Fault
    cause: str | None
    cause_confidence: float
    remedy: str | None
    remedy_confidence: float
    helped: bool | None
    kept_off: bool
    turns: bool = True
    slowed: tuple[str, ...] = ()
    unsaid: tuple[str, ...] = ()
    note: str = ""

    @property
    def right(self) -> bool:
        """The right cause first; no cause at all is as good as `unexplained`."""
        return (self.cause or "unexplained") in self.fault.right

    @property
    def line(self) -> str:
        """The whole of it in one line."""
        said = f"{self.cause} ({self.cause_confidence:.2f}); {self.remedy} ({self.remedy_confidence:.2f})"
        marks = f"right {self.right}, helped {self.helped}, turns {self.turns}, kept off {self.kept_off}"
        return f"{self.fault.name} [{self.fault.code}]: {said}; {marks}; slowed {self.slowed}; {self.note}"

    @property
    def counts(self) -> bool:
        """Whether a remedy was to be expected: statistics can help, and the error turned the plan; or one was given."""
        return self.remedy is not None or (self.turns and "unexplained" not in self.fault.right)


@dataclass(frozen=True)
class TrapJudged:
    """What came of one trap: `avoided` where nothing that the trap forbids was offered first."""

    trap: Trap
    avoided: bool
    offered: str | None
    confidence: float
    cause: str | None

    @property
    def line(self) -> str:
        return f"{self.trap.name} [trap]: {self.cause}; {self.offered} ({self.confidence:.2f}); avoided {self.avoided}"


def judged(server: str, fault: Fault, folder: Path) -> Judged:
    """Ask the product about the fault, then do what it says first and look again."""
    with seeded(server, fault) as dsn, seeded(server, fault) as changed:
        told = answer("sweep", dsn, fault, folder)
        cause, remedy = told.first_cause, told.first_remedy
        turns = remedy is not None or _turns(dsn, changed, fault)
        helped, note = (None, "") if remedy is None else _helped(dsn, changed, fault, remedy)
        slowed = _slowed(dsn, changed, fault) if helped is not None else ()
    return Judged(
        fault=fault,
        cause=cause.code if cause is not None else None,
        cause_confidence=cause.confidence if cause is not None else 0.0,
        remedy=f"{remedy.kind}: {'; '.join(_statements(remedy))}" if remedy is not None else None,
        remedy_confidence=remedy.confidence if remedy is not None else 0.0,
        helped=helped,
        kept_off=remedy is None or remedy.kind not in fault.never_first,
        turns=turns,
        slowed=slowed,
        unsaid=_unsaid(remedy, slowed) if remedy is not None else (),
        note=note,
    )


def trap_judged(server: str, trap: Trap, folder: Path) -> TrapJudged:
    with seeded(server, trap) as dsn:
        told: Answer = answer("sweep", dsn, trap, folder)
    remedy, cause = told.first_remedy, told.first_cause
    forbidden = remedy is not None and (trap.never_first is None or remedy.kind in trap.never_first)
    return TrapJudged(
        trap=trap,
        avoided=not forbidden,
        offered=f"{remedy.kind}: {'; '.join(_statements(remedy))}" if remedy is not None else None,
        confidence=remedy.confidence if remedy is not None else 0.0,
        cause=cause.code if cause is not None else None,
    )


def _statements(remedy: Remedy) -> tuple[str, ...]:
    return remedy.sql_trial or remedy.sql


def _helped(dsn: str, changed: str, fault: Fault, remedy: Remedy) -> tuple[bool | None, str]:
    """Whether the error is gone once the remedy is carried out on `changed`, and why not where it failed."""
    statements = _statements(remedy)
    if not statements:
        return None, "the remedy has no statement"
    query: str | None = None
    place: Place | None = None
    if remedy.kind == "query_rewrite":
        *rest, query = statements
        statements, place = tuple(rest), fault.cured_place or fault.place
    ill = before(dsn, fault)
    try:
        well = after(changed, fault, statements, query=query, place=place)
    except LookupError as error:
        if query is None or not statements:
            return False, str(error).splitlines()[0]
        # a table of its own stands for what the place names: then nothing of the new text may be misestimated
        worst = worst_q_error(after(changed, fault, statements, query=query, anywhere=True).plan)
        return worst <= MENDED, f"worst q-error of the second step {worst:.1f}"
    except psycopg.Error as error:
        return False, str(error).splitlines()[0]
    if fault.measure == "pages":
        return ill.pages >= FEWER_PAGES * well.pages, f"{ill.pages} pages, then {well.pages}"
    return well.q_error <= MENDED, f"q-error {ill.q_error:.0f}, then {well.q_error:.1f}"


def _turns(dsn: str, changed: str, fault: Fault) -> bool:
    well = after(changed, fault, fault.cure, query=fault.cured_query, place=fault.cured_place)
    return join_methods(before(dsn, fault).plan) != join_methods(well.plan)


def _slowed(dsn: str, changed: str, fault: Fault) -> tuple[str, ...]:
    """The other queries that the change made slower by more than 1.2 times; those of the same plan are not timed."""
    slower: list[str] = []
    with psycopg.connect(dsn, autocommit=True) as old, psycopg.connect(changed, autocommit=True) as new:
        for name, query in fault.others.items():
            if shape(explained(old, query).plan) == shape(explained(new, query).plan):
                continue
            runs = [(explained(old, query), explained(new, query)) for _ in range(_RUNS)]
            if _is_slower([pair[0] for pair in runs], [pair[1] for pair in runs]):
                slower.append(name)
    return tuple(slower)


def _is_slower(old: list[Seen], new: list[Seen]) -> bool:
    """By the medians and by the quickest runs, and by more than a person would notice."""
    before_ms, after_ms = [run.execution_ms for run in old], [run.execution_ms for run in new]
    medians = statistics.median(after_ms), statistics.median(before_ms)
    return (
        medians[0] > SLOWER * medians[1]
        and min(after_ms) > SLOWER * min(before_ms)
        and medians[0] - medians[1] > _NOTICED_MS
    )


def _unsaid(remedy: Remedy, slowed: tuple[str, ...]) -> tuple[str, ...]:
    """Those of the slowed queries of which the remedy does not say that their plan changes."""
    said = [effect.query for effect in remedy.side_effects if effect.change == "plan_changed"]
    return tuple(name for name in slowed if not any(query.endswith(name) for query in said))
