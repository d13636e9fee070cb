"""Names and letters for the parts of a query's time, the same in every format."""

from __future__ import annotations

from rowreckon.document.audit import Plan, TimeBy
from rowreckon.frozen import frozen
from rowreckon.report.words.numbers import share
from rowreckon.report.words.time_words import join_time


@frozen
class PartOfTime:
    """A part: its key in the document, the letter that marks it in a bar, its name."""

    key: str
    letter: str
    name: str


PARTS_OF_TIME = (
    PartOfTime("crossed_joins", "C", "crossed joins"),
    PartOfTime("other_joins", "J", "other joins"),
    PartOfTime("scans", "S", "scans and filters"),
    PartOfTime("sorts", "O", "sorts (ordering)"),
    PartOfTime("aggregates", "A", "aggregates"),
    PartOfTime("functions", "F", "functions"),
    PartOfTime("jit", "K", "compiling (JIT)"),
    PartOfTime("planning", "P", "planning"),
    PartOfTime("waiting", "W", "waiting for blocks"),
    PartOfTime("other", "R", "other steps"),
)


def split_of(plan: Plan) -> TimeBy | None:
    """The plan's split; of a document that has none, the crossed joins' share and the rest; None without a time."""
    if plan.time_by is not None:
        return plan.time_by
    if plan.execution_ms is None:
        return None
    crossed = join_time(plan, [join for join in plan.joins if join.verdict == "crossed"]).ms or 0.0
    planning = plan.planning_ms or 0.0
    return TimeBy(crossed_joins=crossed, planning=planning, other=max(plan.execution_ms - crossed, 0.0))


def whole_of(split: TimeBy) -> float:
    """All parts together, in ms."""
    return float(sum(getattr(split, part.key) for part in PARTS_OF_TIME))


def shares(split: TimeBy) -> tuple[tuple[PartOfTime, str], ...]:
    """The parts that took any time, with their shares in words, in their fixed order."""
    whole = whole_of(split)
    taken = ((part, getattr(split, part.key)) for part in PARTS_OF_TIME)
    return tuple((part, share(ms, whole)) for part, ms in taken if ms > 0)
