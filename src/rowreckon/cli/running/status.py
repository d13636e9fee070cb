"""The exit status: decided here and nowhere else, from a typed account of what happened in a run.

After a signal it is 128 and the signal's number; else 3 outranks 2, and 2 outranks 1.
"""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.document.audit import Audit, Plan, Rejected

DONE, VERDICT, NOT_DONE, DEFECT = 0, 1, 2, 3
"""Everything was done; a verdict that --fail-on names; something could not be done; a fault of this program."""

TRACEBACK_VARIABLE = "ROWRECKON_TRACEBACK"
_PACKAGE = Path(__file__).parents[2]


@dataclass(slots=True)
class Happened:
    """What happened in a run.

    `failing`: something that --fail-on names was found. `undone` and `defects` are sentences, one for each thing that
    could not be done and one for each fault of this program. `signal` is the number of the one that ended the run.
    """

    failing: bool = False
    undone: list[str] = field(default_factory=list)
    defects: list[str] = field(default_factory=list)
    signal: int | None = None

    def add(self, other: Happened) -> Happened:
        """This account with another's entries behind its own."""
        self.failing = self.failing or other.failing
        self.undone += other.undone
        self.defects += other.defects
        self.signal = self.signal if self.signal is not None else other.signal
        return self


def exit_status(happened: Happened) -> int:
    """The status that the run ends with."""
    if happened.signal is not None:
        return 128 + happened.signal
    if happened.defects:
        return DEFECT
    if happened.undone:
        return NOT_DONE
    return VERDICT if happened.failing else DONE


def in_audit(result: Audit, *, failing: bool) -> Happened:
    """What an audit says of its run: inputs that could not be read, queries without a verdict, changes not tried."""
    happened = not_read(result.rejected)
    happened.failing = failing
    happened.undone += [_not_run(plan) for plan in result.plans if plan.outcome != "ran"]
    happened.undone += list(_not_tried(result))
    return happened


def lacking_facts(captures: Iterable[Capture]) -> Happened:
    """Facts that a server was asked for and did not give, a sentence for each reason."""
    from rowreckon.capture import WITHOUT_FACTS

    return _noted((capture for capture in captures if capture.catalog is None), WITHOUT_FACTS)


def of_another_database(captures: Iterable[Capture]) -> Happened:
    """Plans whose facts are of a database that has none of their tables, in one sentence."""
    strangers = [
        capture.name
        for capture in captures
        if capture.explain is not None
        and capture.catalog is not None
        and capture.catalog.names
        and all(name.oid is None for name in capture.catalog.names)
    ]
    told = "the facts come from a database that has none of the plan's tables; ask the plan's own database"
    return Happened(undone=[f"{_first_of(strangers)}: {told}"] if strangers else [])


def planner_not_asked(captures: Iterable[Capture]) -> Happened:
    """Why a planner that was to be asked about a query could not be, a sentence for each reason."""
    from rowreckon.capture import NOT_ASKED

    return _noted(captures, NOT_ASKED)


def stand_in_not_asked(captures: Iterable[Capture]) -> Happened:
    """Why a stand-in that was to be asked about a query could not be, a sentence for each reason."""
    from rowreckon.capture import STAND_IN_NOT_ASKED

    return _noted(captures, STAND_IN_NOT_ASKED)


def _noted(captures: Iterable[Capture], start: str) -> Happened:
    """The notes that begin so, each with the captures that have it."""

    reasons: dict[str, list[str]] = {}
    for capture in captures:
        if capture.explain is None:
            continue
        for note in capture.notes:
            if note.startswith(start):
                reasons.setdefault(note, []).append(capture.name)
    return Happened(undone=[f"{_first_of(names)}: {note}" for note, names in reasons.items()])


def _first_of(names: Sequence[str]) -> str:
    return f"{names[0]}{f' and {len(names) - 1} more' if len(names) > 1 else ''}"


def not_read(rejected: Iterable[Rejected]) -> Happened:
    """Inputs that could not be read, or not be audited, a sentence each."""
    happened = Happened()
    for item in rejected:
        place = f" ({item.where})" if item.where else ""
        (happened.defects if item.defect else happened.undone).append(f"{item.source}{place}: {item.reason}")
    return happened


def not_analyzed(result: Audit) -> list[str]:
    """Plans that hold estimates only, so that nothing can be compared, a sentence each."""
    return [
        f"{plan.source}: the plan was made without ANALYZE and counts no rows, so there is nothing to compare. "
        "Capture it with EXPLAIN (ANALYZE, BUFFERS, FORMAT JSON), which executes the statement"
        for plan in result.plans
        if plan.nodes and not plan.analyzed and plan.outcome == "ran"
    ]


def _not_run(plan: Plan) -> str:
    """A query of a list that failed, was refused, skipped or timed out."""
    line = f", line {plan.line}" if plan.line else ""
    code = f", SQLSTATE {plan.sqlstate}" if plan.sqlstate else ""
    why = f": {plan.reason}" if plan.reason else ""
    return f"{plan.source}{line}: {plan.outcome.replace('_', ' ')}{code}{why}"


def _not_tried(result: Audit) -> Iterable[str]:
    """Changes that were to be tried and were not, or that the server did not take."""
    for entry in result.trials.not_tried if result.trials is not None else ():
        yield f"change {entry.rank} was not tried: {entry.reason}"
    for remedy in result.remedies:
        if remedy.trial is not None and remedy.trial.verdict == "not_applied":
            why = f": {remedy.trial.reason}" if remedy.trial.reason else ""
            yield f"change {remedy.rank} could not be applied{why}"


def defect_sentence(error: BaseException, doing: str | None = None) -> str:
    """A sentence on an error that nobody foresaw: its kind and its place, never its text, which may hold anything.

    With the variable ROWRECKON_TRACEBACK the whole of it goes to standard error as well.
    """
    if os.environ.get(TRACEBACK_VARIABLE):
        traceback.print_exception(error, file=sys.stderr)
    frames = traceback.extract_tb(error.__traceback__)
    own = [frame for frame in frames if Path(frame.filename).is_relative_to(_PACKAGE)]
    place = f" in {Path(own[-1].filename).relative_to(_PACKAGE)}, line {own[-1].lineno}" if own else ""
    while_ = f" while {doing}" if doing else ""
    return (
        f"a defect of rowreckon{while_}: {type(error).__name__}{place};"
        f" please report it with what {TRACEBACK_VARIABLE}=1 shows"
    )
