"""The first screen of a report on a list: the query to look at first, the change to try, what else is touched, what
could not be run. A reader who stops there can act."""

from __future__ import annotations

from rowreckon.document.audit import Audit, Plan, Remedy, SideEffect, TrialQuery
from rowreckon.frozen import frozen
from rowreckon.report.story.change_lines import CHANGE_VERDICTS
from rowreckon.report.story.ticket import Ticket, ticket
from rowreckon.report.words import ticket_words
from rowreckon.report.words.changes import remedy_words
from rowreckon.report.words.changes.no_change_words import no_change_words
from rowreckon.report.words.changes.touch_words import touched_together
from rowreckon.report.words.changes.trial_headline import TrialResult, changes_words, trial_result, was_tried
from rowreckon.report.words.changes.trial_words import further_words
from rowreckon.report.words.escape import clean, quote, shorten
from rowreckon.report.words.headline import joins_by_weight, plans_by_weight
from rowreckon.report.words.numbers import capitalised, count_of, in_one_unit, listed, number

_NAMED = 3
_REASON = 90  # letters
_TEXT = 70
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
    lines = [_worst(audit.plans[first], told, of_a_log=bool(audit.folds))]
    lines += _results(audit) if was_tried(audit) else [_to_try(audit, told)]
    return tuple(line for line in (*lines, _not_run(audit), _unread(audit)) if line is not None)


def _worst(plan: Plan, told: Ticket, *, of_a_log: bool) -> ListLine | None:
    """The query that leads, with the join that is worst in it; in a log a query has no name, so its text is told."""
    joins = joins_by_weight(plan)
    if not joins or joins[0].verdict == "accurate":
        return None
    cause = f"Cause: {told.cause[:1].lower()}{told.cause[1:]}" if told.cause and told.no_change else ""
    text = f" ({quote(plan.query, _TEXT)})" if of_a_log and plan.query else ""
    parts = (f"{told.source}{text}, {ticket_words.joined_words(joins[0])}.", told.sentence, cause, told.no_change)
    said = " ".join(part for part in parts if part)
    return ListLine("Open" if joins[0].verdict == "undecided" else "Worst", said)


def _to_try(audit: Audit, told: Ticket) -> ListLine | None:
    """The change for the worst query, else the first of all, else the evidence that is missing."""
    for_another = ""
    if not told.is_remedy and audit.remedies and audit.remedies[0].findings:
        index = audit.remedies[0].findings[0].plan
        told = ticket(audit, index)
        for_another = _of_another(audit.plans[index])
    if told.rank is None:
        if told.missing is not None:
            if not told.command:
                return ListLine("Next", f"{told.lead}.")
            return ListLine("Next", "", told.command, is_sql=False, note=f"{told.lead}.")
        return (
            None if told.verdict in ("crossed", "held", "undecided") else ListLine("Try", no_change_words(audit.plans))
        )
    query = f"another query, {told.source}{for_another}" if for_another else f"{told.source}"
    said = f"Change {number(told.rank)}, for {query}. {told.lead}."
    more = len(audit.remedies) - 1
    further = f"{count_of(more, 'further change')} below." if more else ""
    note = " ".join(part for part in (told.touches, told.caution, further) if part)
    return ListLine("Try", said, told.command, note=note)


def _of_another(plan: Plan) -> str:
    """What was wrong in a query that is not the one told above."""
    joins = joins_by_weight(plan)
    if not joins:
        return " "
    rows = ticket_words.rows_words(joins[0], plan)
    return f": {rows[:1].lower()}{rows[1:]} ({joins[0].verdict})"


def _results(audit: Audit) -> list[ListLine | None]:
    """What a trial brought: the best changes with their statements, what they did to other queries, what did not
    help."""
    result = trial_result(audit)
    idle = [r for r in audit.remedies if r.trial is not None and (result is None or r.rank not in result.ranks)]
    others = ListLine("Also tried", _idle_words(idle, audit)) if idle else None
    if result is None:
        return [others]
    best = [remedy for remedy in audit.remedies if remedy.rank in result.ranks]
    said = f"{capitalised(changes_words(result.ranks))}{_where(audit)}: {_gains(result.queries, best, audit)}."
    parts = (touched_together(best), _effects(result), further_words(audit.trials), remedy_words.locks_words(best))
    note = " ".join(part for part in parts if part)
    return [ListLine("Helped", f"{said}{_not_for_the_worst(audit, best)}", _numbered(best), note=note), others]


def _where(audit: Audit) -> str:
    """Where they were tried: nothing of it stays."""
    if audit.trials is None:
        return ""
    return ", tried on a copy" if audit.trials.where == "copy" else ", tried and rolled back"


def _not_for_the_worst(audit: Audit, best: list[Remedy]) -> str:
    """That the changes are for other queries than the one told above."""
    first = plans_by_weight(audit)[0]
    joins = joins_by_weight(audit.plans[first])
    meant = {ref.plan for remedy in best for ref in remedy.findings}
    if not meant or first in meant or not joins or joins[0].verdict == "accurate":
        return ""
    whom = quote(audit.plans[first].source, 80)
    return f" None of them is for {whom}." if len(best) > 1 else f" It is not for {whom}."


def _numbered(best: list[Remedy]) -> str:
    """The statements of the changes, each change's number above its own where there are several."""
    if len(best) == 1:
        return remedy_words.statements(best[0].sql)
    return "\n".join(f"-- change {remedy.rank}\n{remedy_words.statements(remedy.sql)}" for remedy in best)


def _gains(queries: tuple[TrialQuery, ...], best: list[Remedy], audit: Audit) -> str:
    """`stale-statistics (change 2) 403 ms before, 149 ms after`, of those that were timed."""
    ranks = _ranks_by_query(best, audit) if len(best) > 1 else {}
    timed = [(q.query, q.before_ms, q.after_ms) for q in queries if q.before_ms is not None and q.after_ms is not None]
    said = [
        f"{quote(name, 80)}{ranks.get(name, '')} {in_one_unit(before, before)} before, "
        f"{in_one_unit(after, before)} after"
        for name, before, after in sorted(timed, key=lambda one: one[2] - one[1])[:_NAMED]
    ]
    more = [f"{count_of(len(timed) - _NAMED, 'further query', 'further queries')}"] if len(timed) > _NAMED else []
    return ". ".join([*said, *more])


def _ranks_by_query(remedies: list[Remedy], audit: Audit) -> dict[str, str]:
    """` (change 2)`, by the name of the query that it is meant for."""
    found: dict[str, list[str]] = {}
    for remedy in remedies:
        for index in dict.fromkeys(ref.plan for ref in remedy.findings if ref.plan < len(audit.plans)):
            found.setdefault(audit.plans[index].source, []).append(number(remedy.rank))
    return {name: f" (change{'s' if len(ranks) > 1 else ''} {listed(ranks, 6)})" for name, ranks in found.items()}


def _effects(result: TrialResult) -> str:
    """What became of the queries that the changes are not meant for."""
    slower = [q.query for q in result.queries if q.time == "slower" and not q.within_noise]
    slower += [e.query for e in result.effects if e.time == "slower" and not e.within_noise]
    kept = sum(_keeps_its_plan(effect) for effect in result.effects)
    said = f"Slower: {listed([quote(name, 60) for name in slower], _NAMED)}." if slower else "No query got slower."
    return f"{said} {count_of(kept, 'other query keeps its plan', 'other queries keep their plan')}." if kept else said


def _keeps_its_plan(effect: SideEffect) -> bool:
    return effect.change == "plan_same"


def _idle_words(remedies: list[Remedy], audit: Audit) -> str:
    """`Change 3, for night-huts, had no effect: … 114 ms before, 113 ms after.`, or of several `Change 3 had no effect.
    Changes 4 and 5 did harm.` and the figures of one of them, that for the worst query if there is one."""
    if len(remedies) == 1 and remedies[0].trial is not None and remedies[0].findings:
        names = listed([quote(audit.plans[index].source, 60) for index in _meant_for(remedies[0], audit)], _NAMED)
        title = remedy_words.remedy_title(remedies[0])
        verdict = CHANGE_VERDICTS[remedies[0].trial.verdict]
        said = f"Change {number(remedies[0].rank)}, for {names}, {verdict}: {title[:1].lower()}{title[1:]}."
        return f"{said}{_idle_figures(remedies, audit)}"
    ranks: dict[str, list[int]] = {}
    for remedy in remedies:
        if remedy.trial is not None:
            ranks.setdefault(CHANGE_VERDICTS[remedy.trial.verdict], []).append(remedy.rank)
    said_of_all = []
    for verdict, numbers in ranks.items():
        who = "change" if len(numbers) == 1 else "changes"
        said_of_all.append(f"{capitalised(who)} {listed([number(rank) for rank in numbers], 6)} {verdict}.")
    return f"{' '.join(said_of_all)}{_idle_figures(remedies, audit)}"


def _meant_for(remedy: Remedy, audit: Audit) -> list[int]:
    """The places of the queries that it is proposed for."""
    return list(dict.fromkeys(ref.plan for ref in remedy.findings if ref.plan < len(audit.plans)))


def _idle_figures(remedies: list[Remedy], audit: Audit) -> str:
    """` With change 3 night-huts took 114 ms before, 113 ms after.`: of the change for the worst query, else the first
    that was timed; empty where none was."""
    first = plans_by_weight(audit)[0]
    for remedy in sorted(remedies, key=lambda one: first not in _meant_for(one, audit)):
        timed = [
            (query.query, query.before_ms, query.after_ms)
            for query in (remedy.trial.queries if remedy.trial is not None else ())
            if query.before_ms is not None and query.after_ms is not None
        ]
        if timed:
            name, before, after = min(timed, key=lambda one: one[0] != audit.plans[first].source)
            longer = max(before, after)
            took = f"{in_one_unit(before, longer)} before, {in_one_unit(after, longer)} after"
            whose = f"Change {number(remedy.rank)}, {quote(name, 60)}" if len(remedies) > 1 else quote(name, 60)
            return f" {whose}: {took}."
    return ""


def _not_run(audit: Audit) -> ListLine | None:
    """The queries that did not run to their end, by name."""
    ended: dict[str, list[Plan]] = {}
    for plan in audit.plans:
        if plan.outcome != "ran":
            ended.setdefault(_ENDINGS[plan.outcome], []).append(plan)
    said = [f"{how}: {_who(plans)}." for how, plans in ended.items()]
    return ListLine("Not run", " ".join(said)) if said else None


def _who(plans: list[Plan]) -> str:
    """The names; of one query alone why it did not run, too."""
    named = listed([quote(plan.source, 60) for plan in plans], _NAMED)
    reason = clean(plans[0].reason).rstrip(".") if len(plans) == 1 and plans[0].reason else ""
    return f"{named} ({shorten(reason, _REASON)})" if reason else named


def _unread(audit: Audit) -> ListLine | None:
    """The inputs that could not be read, by name."""
    if not audit.rejected:
        return None
    first, *others = audit.rejected
    why = shorten(clean(first.reason).rstrip("."), _REASON)
    named = [quote(one.source, 60) for one in others]
    more = f" Also {listed(named, _NAMED)}." if named else ""
    return ListLine("Not read", f"{quote(first.source, 60)}: {why}.{more}")
