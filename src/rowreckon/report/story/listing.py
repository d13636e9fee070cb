"""A list of queries as rows, the longest first: what each took, for what, and which changes concern it.

Whatever could not be run stands in the same list: a query that met its time limit took longest, one that failed or was
refused took nothing that could be drawn.
"""

from __future__ import annotations

from rowreckon.document.audit import Audit, Plan, Remedy, TimeBy
from rowreckon.frozen import frozen
from rowreckon.report.words.changes.trial_headline import trial_result, was_tried
from rowreckon.report.words.escape import clean, quote
from rowreckon.report.words.headline import joins_by_weight, outcome_words
from rowreckon.report.words.join_words import short_sentence
from rowreckon.report.words.list_splits import list_splits, whole_split
from rowreckon.report.words.numbers import milliseconds, number
from rowreckon.report.words.part_words import shares, whole_of

LIST_TITLE = "Where each query's time goes, the longest first"
"""The heading above the rows."""
_ENDED = {
    "timed_out": "it was cancelled at its time limit",
    "failed": "it failed",
    "refused": "it was not run",
    "skipped": "it was skipped",
}
_PLACES = {"timed_out": 0, "ran": 1, "failed": 2, "refused": 3, "skipped": 4}


@frozen
class ListRow:
    """One query. `index` is its plan in the audit, `ms` planning and execution (None where it did not end; of a query
    that a trial measured again, its time there without the changes), `changes` the ranks of the changes that are meant
    for it, `after_ms` its time with the best changes together."""

    index: int
    name: str
    verdict: str
    ms: float | None
    time: str
    split: TimeBy | None
    said: str
    changes: tuple[int, ...]
    after_ms: float | None = None

    @property
    def lacks_change(self) -> bool:
        """Whether a join crossed and nothing is proposed."""
        return self.verdict == "crossed" and not self.changes


def list_rows(audit: Audit) -> tuple[ListRow, ...]:
    """A row for every plan of the audit, in time order."""
    after = _after(audit)
    changes = _changes_by_plan(audit.remedies)
    splits = list_splits(audit)
    rows = [
        _row(plan, index, splits.get(index), changes.get(index, ()), after.get(plan.source))
        for index, plan in enumerate(audit.plans)
    ]
    return tuple(sorted(rows, key=lambda row: (_PLACES[audit.plans[row.index].outcome], -(row.ms or 0.0), row.index)))


def _row(plan: Plan, index: int, split: TimeBy | None, changes: tuple[int, ...], after_ms: float | None) -> ListRow:
    joins = joins_by_weight(plan)
    outcome = outcome_words(plan)
    verdict: str = plan.outcome.replace("_", " ") if outcome else joins[0].verdict if joins else "no join"
    ms = whole_of(split) if split is not None else None
    return ListRow(
        index=index,
        name=quote(plan.source, 120),
        verdict=verdict,
        ms=ms,
        time=milliseconds(ms) if ms is not None else "–",
        split=split,
        said=_ended(plan) if outcome else (short_sentence(joins[0]) if joins else "no join to judge"),
        changes=changes,
        after_ms=after_ms,
    )


def _ended(plan: Plan) -> str:
    """Why the query did not run to its end, and in which line of the list it stands; the verdict says the rest."""
    said = clean(plan.reason).rstrip(".") if plan.reason else _ENDED[plan.outcome]
    places = [f"line {number(plan.line)}"] if plan.line is not None else []
    places += [f"SQLSTATE {clean(plan.sqlstate)}"] if plan.sqlstate else []
    return f"{said} ({', '.join(places)})" if places else said


def _changes_by_plan(remedies: tuple[Remedy, ...]) -> dict[int, tuple[int, ...]]:
    found: dict[int, tuple[int, ...]] = {}
    for remedy in remedies:
        for index in dict.fromkeys(ref.plan for ref in remedy.findings):
            found[index] = (*found.get(index, ()), remedy.rank)
    return found


def _after(audit: Audit) -> dict[str, float]:
    """Of a trial each query's ms with the best changes together, by its name."""
    result = trial_result(audit) if was_tried(audit) else None
    return result.after if result is not None else {}


def letters_legend(audit: Audit) -> str:
    """What the letters of the bars stand for; empty where no time is known."""
    whole = whole_split(audit)
    named = [f"{part.letter} {part.name}" for part, _ in shares(whole)] if whole is not None else []
    return f"{', '.join(named)}." if named else ""


def list_note(audit: Audit) -> str:
    """What the bars show, for who sees them first."""
    said = "All bars are on one scale; planning is part of them."
    said += " The numbers at a line's end are the changes meant for its query."
    if _after(audit):
        said += " The line below a bar, and 'now', is the time with the changes that helped."
        said += " Such a query's bar is as long as it took beside that run, without them."
    return said
