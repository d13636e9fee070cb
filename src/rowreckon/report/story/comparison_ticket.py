"""The first screen of a comparison: what changed most, what did not, and the step to take."""

from __future__ import annotations

from rowreckon.document.audit import Remedy
from rowreckon.report.comparing.compare import Comparison, PlanComparison
from rowreckon.report.story.compared_query import error_lines, join_lines, query_title, speed_words
from rowreckon.report.story.list_ticket import ListLine
from rowreckon.report.story.what_was_changed import what_was_changed
from rowreckon.report.words.changes import remedy_words
from rowreckon.report.words.changes.touch_words import touch_words
from rowreckon.report.words.headline import joins_by_weight
from rowreckon.report.words.numbers import capitalised, count_of, listed, milliseconds, number
from rowreckon.report.words.ticket_words import joined_words, rows_words

_NAMED = 4


def by_change(plans: tuple[PlanComparison, ...]) -> list[PlanComparison]:
    """The queries that changed most first: another ending, then a difference of the times beyond their spread, then
    any other difference; among equals by the milliseconds between the medians."""

    def weight(plan: PlanComparison) -> tuple[bool, bool, bool, float]:
        ended_alike = plan.before.outcome == plan.after.outcome
        return ended_alike, not plan.times.differ, not plan.differs, -_apart(plan)

    return sorted(plans, key=weight)


def comparison_ticket(comparison: Comparison) -> tuple[ListLine, ...]:
    """The lines between the headline and the queries; none where there is nothing to compare."""
    if not comparison.plans:
        return ()
    lines = (
        _most(comparison),
        _slower(comparison),
        what_was_changed(comparison),
        _next(comparison),
        _others(comparison),
        _alike(comparison),
    )
    return tuple(line for line in lines if line is not None)


def _apart(plan: PlanComparison) -> float:
    medians = plan.times.medians
    return abs(medians[1] - medians[0]) if medians is not None else 0.0


def _most(comparison: Comparison) -> ListLine | None:
    top = by_change(comparison.plans)[0]
    if not top.differs:
        return None
    medians, speed = top.times.medians, speed_words(top.times)
    said = [f"{query_title(top)}."]
    if medians is not None:
        seen = speed or "no difference beyond the spread of the runs"
        said = [f"{query_title(top)}, {milliseconds(medians[0])} before, {milliseconds(medians[1])} after: {seen}."]
    return ListLine("Changed most", " ".join([*said, *error_lines(top)[:1], *join_lines(top)[:2]]))


def _others(comparison: Comparison) -> ListLine | None:
    """The further queries that differ, by what became of their times."""
    others = [plan for plan in by_change(comparison.plans)[1:] if plan.differs]
    faster = [plan for plan in others if plan.times.difference == "faster"]
    alike = [plan for plan in others if not plan.times.differ]
    said = (
        f"Faster too: {_with_times(faster)}" if faster else "",
        f"Another plan or verdict, without a difference in time: {_names(alike)}." if alike else "",
    )
    return ListLine("Changed too", " ".join(part for part in said if part)) if faster or alike else None


def _slower(comparison: Comparison) -> ListLine:
    slower = [plan for plan in by_change(comparison.plans) if plan.times.difference == "slower"]
    if not slower:
        return ListLine("Slower", "No query, beyond the spread of its runs.")
    return ListLine("Slower", _with_times(slower))


def _with_times(plans: list[PlanComparison]) -> str:
    """The first with both its times, then how many others and which."""
    first, *others = plans
    said = f"{query_title(first)}{_from_to(first)}."
    more = count_of(len(others), "other query too", "other queries too")
    return f"{said} {more}: {_names(others)}." if others else said


def _from_to(plan: PlanComparison) -> str:
    """`, from 23 ms to 73 ms`, the medians."""
    medians = plan.times.medians
    if medians is None:
        return ""
    return f", from {milliseconds(medians[0])} to {milliseconds(medians[1])}"


def _alike(comparison: Comparison) -> ListLine | None:
    alike = [plan for plan in by_change(comparison.plans) if not plan.differs]
    return ListLine("Same", f"{_names(alike)}: no difference beyond noise.") if alike else None


def _next(comparison: Comparison) -> ListLine:
    """The step to take: what got worse first, then what is still to be tried, then what is not yet known."""
    plans = by_change(comparison.plans)
    broken = [plan for plan in plans if plan.before.outcome == "ran" != plan.after.outcome]
    if broken:
        return ListLine("Next", f"Find out why {_names(broken)} no longer ran to the end, before you keep the change.")
    slower = [plan for plan in plans if plan.times.difference == "slower"]
    if slower:
        return ListLine("Next", f"Find out why {_names(slower)} got slower, before you keep the change.")
    first = min(((r.rank, n) for n, plan in enumerate(plans) for r in plan.open_remedies), default=None)
    if first is not None:
        return _still_to_try(plans[first[1]], first[0])
    crossed = [plan for plan in plans if any(join.verdict == "crossed" for join in plan.after.joins)]
    if crossed:
        kept = "Keep what was changed. " if comparison.differs else ""
        return ListLine("Next", f"{kept}{_still_crossed(crossed)} No change is proposed for it.")
    few = [plan for plan in plans if plan.times.difference == "too_few_runs"]
    if few:
        runs = number(few[0].times.runs_needed)
        return ListLine(
            "Next", f"Run {_names(few)} {runs} times on each side: so few runs do not tell the times apart."
        )
    kept = "Keep what was changed" if comparison.differs else "Nothing is left to try"
    return ListLine("Next", f"{kept}: no query got slower, and no join is crossed now.")


def _still_crossed(plans: list[PlanComparison]) -> str:
    """Which queries have a crossed join now, and of the first of them which join."""
    join = joins_by_weight(plans[0].after)[0]
    verb, whose = ("has", "") if len(plans) == 1 else ("have", f" of {query_title(plans[0])}")
    rows = rows_words(join, plans[0].after)
    return (
        f"{_names(plans)} still {verb} a crossed join. It is the {joined_words(join)}{whose}: "
        f"{rows[:1].lower()}{rows[1:]}."
    )


def _still_to_try(plan: PlanComparison, rank: int) -> ListLine:
    remedy: Remedy = next(remedy for remedy in plan.open_remedies if remedy.rank == rank)
    gain = remedy_words.gain_words(remedy)
    title = capitalised(remedy_words.remedy_title(remedy))
    said = f"Try change {number(rank)} of the second audit, for {query_title(plan)}. {title}"
    note = " ".join(part for part in (touch_words(remedy, has_others=True), remedy_words.lock_words(remedy)) if part)
    return ListLine("Next", f"{said}: {gain}." if gain else f"{said}.", remedy_words.statements(remedy.sql), note=note)


def _names(plans: list[PlanComparison]) -> str:
    return listed([query_title(plan) for plan in plans], _NAMED)
