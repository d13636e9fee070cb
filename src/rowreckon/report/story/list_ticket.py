"""The first screen of a report on a list: the query to look at first, the change to try, what else is touched, what
could not be run. A reader who stops there can act."""

from __future__ import annotations

from rowreckon.document.audit import Audit, Plan, Remedy, SideEffect, TrialQuery
from rowreckon.frozen import frozen
from rowreckon.report.story.change_lines import CHANGE_VERDICTS
from rowreckon.report.story.ticket import Ticket, ticket
from rowreckon.report.words import remedy_words, ticket_words
from rowreckon.report.words.escape import quote
from rowreckon.report.words.headline import joins_by_weight, plans_by_weight
from rowreckon.report.words.no_change_words import no_change_words
from rowreckon.report.words.numbers import capitalised, count_of, in_one_unit, listed, number
from rowreckon.report.words.touch_words import touched_together
from rowreckon.report.words.trial_headline import TrialResult, changes_words, trial_result, was_tried

_NAMED = 3
_ENDINGS = {"timed_out": "Timed out", "failed": "Failed", "refused": "Refused", "skipped": "Skipped"}


@frozen
class ListLine:
    """One line: a word set apart, what it says, statements or a command to copy, what is said below these."""

    label: str
    said: str
    command: str = ""
    is_sql: bool = True
    note: str = ""


def list_ticket(audit: Audit) -> tuple[ListLine, ...]:
    """The lines that stand between the headline and the list of queries."""
    first = next(iter(plans_by_weight(audit)), None)
    if first is None:
        return ()
    told = ticket(audit, first)
    lines = [_worst(audit.plans[first], told)]
    lines += _results(audit) if was_tried(audit) else [_to_try(audit, told)]
    return tuple(line for line in (*lines, _not_run(audit), _unread(audit)) if line is not None)


def _worst(plan: Plan, told: Ticket) -> ListLine | None:
    """The query that leads, with the join that is worst in it."""
    joins = joins_by_weight(plan)
    if not joins or joins[0].verdict == "accurate":
        return None
    said = f"{told.source}, {ticket_words.joined_words(joins[0])}. {told.sentence} {told.no_change}"
    return ListLine("Open" if joins[0].verdict == "undecided" else "Worst", said.rstrip())


def _to_try(audit: Audit, told: Ticket) -> ListLine | None:
    """The change for the worst query, else the first of all, else the evidence that is missing."""
    if not told.is_remedy and audit.remedies:
        told = ticket(audit, audit.remedies[0].findings[0].plan) if audit.remedies[0].findings else told
    if told.rank is None:
        if told.missing is not None:
            return ListLine("Next", f"{told.lead}.", told.command, is_sql=False)
        return (
            None if told.verdict in ("crossed", "held", "undecided") else ListLine("Try", no_change_words(audit.plans))
        )
    said = f"Change {number(told.rank)}, for {told.source}. {told.lead}."
    more = len(audit.remedies) - 1
    further = f"{count_of(more, 'further change')} below." if more else ""
    note = " ".join(part for part in (told.touches, told.caution, further) if part)
    return ListLine("Try", said, told.command, note=note)


def _results(audit: Audit) -> list[ListLine | None]:
    """What a trial brought: the best changes with their statements, what they did to other queries, what did not
    help."""
    result = trial_result(audit)
    idle = [r for r in audit.remedies if r.trial is not None and (result is None or r.rank not in result.ranks)]
    others = ListLine("Others", _idle_words(idle)) if idle else None
    if result is None:
        return [others]
    best = [remedy for remedy in audit.remedies if remedy.rank in result.ranks]
    command = "\n".join(remedy_words.statements(remedy.sql) for remedy in best)
    said = f"{capitalised(changes_words(result.ranks))}: {_gains(result.queries)}."
    note = " ".join(part for part in (touched_together(best), _effects(result), remedy_words.locks_words(best)) if part)
    return [ListLine("Helped", said, command, note=note), others]


def _gains(queries: tuple[TrialQuery, ...]) -> str:
    """`stale-statistics 403 ms before, 149 ms after`, of those that were timed."""
    timed = [(q.query, q.before_ms, q.after_ms) for q in queries if q.before_ms is not None and q.after_ms is not None]
    said = [
        f"{quote(name, 80)} {in_one_unit(before, before)} before, {in_one_unit(after, before)} after"
        for name, before, after in sorted(timed, key=lambda one: one[2] - one[1])[:_NAMED]
    ]
    more = [f"{count_of(len(timed) - _NAMED, 'further query', 'further queries')}"] if len(timed) > _NAMED else []
    return ". ".join([*said, *more])


def _effects(result: TrialResult) -> str:
    """What became of the queries that the changes are not meant for."""
    slower = [q.query for q in result.queries if q.time == "slower" and not q.within_noise]
    slower += [e.query for e in result.effects if e.time == "slower" and not e.within_noise]
    kept = sum(_keeps_its_plan(effect) for effect in result.effects)
    said = f"Slower: {listed([quote(name, 60) for name in slower], _NAMED)}." if slower else "No query got slower."
    return f"{said} {count_of(kept, 'other query keeps its plan', 'other queries keep their plan')}." if kept else said


def _keeps_its_plan(effect: SideEffect) -> bool:
    return effect.change == "plan_same"


def _idle_words(remedies: list[Remedy]) -> str:
    """`Change 3 had no effect. Changes 4 and 5 did harm.`"""
    ranks: dict[str, list[int]] = {}
    for remedy in remedies:
        if remedy.trial is not None:
            ranks.setdefault(CHANGE_VERDICTS[remedy.trial.verdict], []).append(remedy.rank)
    said = []
    for verdict, numbers in ranks.items():
        who = "change" if len(numbers) == 1 else "changes"
        said.append(f"{capitalised(who)} {listed([number(rank) for rank in numbers], 6)} {verdict}.")
    return " ".join(said)


def _not_run(audit: Audit) -> ListLine | None:
    """The queries that did not run to their end, by name."""
    names: dict[str, list[str]] = {}
    for plan in audit.plans:
        if plan.outcome != "ran":
            names.setdefault(_ENDINGS[plan.outcome], []).append(quote(plan.source, 60))
    said = [f"{how}: {listed(who, _NAMED)}." for how, who in names.items()]
    return ListLine("Not run", " ".join(said)) if said else None


def _unread(audit: Audit) -> ListLine | None:
    """The inputs that could not be read, by name."""
    if not audit.rejected:
        return None
    named = [quote(one.source, 60) for one in audit.rejected]
    return ListLine(
        "Not read", f"{listed(named, _NAMED)}. The reason{'s stand' if len(named) > 1 else ' stands'} below."
    )
