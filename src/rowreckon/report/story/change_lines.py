"""Changes to try in a line each, for lists of queries: for whom, and what came of it or may come."""

from __future__ import annotations

from rowreckon.document.audit import Audit, Remedy, Trial
from rowreckon.frozen import frozen
from rowreckon.report.words.changes import remedy_words
from rowreckon.report.words.changes.touch_words import foretold_words
from rowreckon.report.words.changes.trial_headline import first_of_the_audit, was_tried
from rowreckon.report.words.escape import clean, quote
from rowreckon.report.words.numbers import capitalised, count_of, listed, milliseconds
from rowreckon.report.words.sentences import in_sentences

_QUERIES = 3
CHANGE_VERDICTS = {
    "helped": "helped",
    "no_effect": "had no effect",
    "harmed": "did harm",
    "not_applied": "did not take effect",
    "inconclusive": "decided nothing",
}
"""What a trial's verdict says of a change, after its name."""


@frozen
class ChangeLine:
    """A change in one line. `verdict` is what its trial said, empty where it was not tried."""

    remedy: Remedy
    title: str
    verdict: str
    said: str


@frozen
class ChangeGroups:
    """The changes of a list: `shown` openly, `folded` below with their figures, as a line `fold` announces."""

    shown: tuple[ChangeLine, ...]
    folded: tuple[ChangeLine, ...]
    fold: str


def change_groups(audit: Audit) -> ChangeGroups:
    """All changes; of a trial those that helped openly, and the one that the audit had put first, whatever it did."""
    lines = tuple(change_line(audit, remedy) for remedy in audit.remedies)
    if not was_tried(audit):
        return ChangeGroups(lines, (), "")
    first = first_of_the_audit(audit)
    open_ = [line for line in lines if line.remedy.trial is None or line.remedy.trial.verdict == "helped"]
    if first is not None and all(line.remedy is not first for line in open_):
        open_.append(next(line for line in lines if line.remedy is first))
    folded = tuple(line for line in lines if line not in open_)
    counted: dict[str, int] = {}
    for line in folded:
        counted[line.verdict] = counted.get(line.verdict, 0) + 1
    what = listed([f"{number} {verdict}" for verdict, number in sorted(counted.items())], 12)
    return ChangeGroups(tuple(open_), folded, f"{count_of(len(folded), 'change')} that did not help: {what}")


def changes_title(audit: Audit) -> str:
    """The heading above the changes."""
    return "What the changes did" if was_tried(audit) else "What to try"


def change_line(audit: Audit, remedy: Remedy) -> ChangeLine:
    """One change in a line."""
    title = capitalised(remedy_words.remedy_title(remedy))
    trial = remedy.trial
    if trial is None:
        gain = remedy_words.gain_words(remedy)
        sure = remedy_words.confidence_words(remedy.confidence)
        whom = ", ".join(part for part in (_for_whom(audit, remedy), gain) if part)
        told = foretold_words(remedy) if remedy.foretold is not None and remedy.foretold.planned else ""
        said = f"{capitalised(in_sentences((whom, sure)))}."
        return ChangeLine(remedy, title, "", f"{said} {told}".rstrip())
    was_first = trial.rank_before == 1 and trial.verdict != "helped"
    together = audit.trials.combination if audit.trials is not None else None
    alone = together is not None and remedy.rank in together.ranks
    said = _tried(trial, alone=alone) + (" The audit had put it first." if was_first else "")
    return ChangeLine(remedy, title, CHANGE_VERDICTS[trial.verdict], said)


def _for_whom(audit: Audit, remedy: Remedy) -> str:
    names = [audit.plans[n].source for n in dict.fromkeys(r.plan for r in remedy.findings) if n < len(audit.plans)]
    return f"for {listed([quote(name, 80) for name in names], _QUERIES)}" if names else ""


def _tried(trial: Trial, *, alone: bool) -> str:
    """`stale-statistics: 403 ms before, 149 ms after.`, a sentence for each query that it is meant for, then why;
    `alone` where the report tells other figures too, of the change together with further ones."""
    tried = ", tried alone" if alone else ""
    said = [
        f"{quote(q.query, 80)}{tried}: {milliseconds(q.before_ms)} before, {milliseconds(q.after_ms)} after"
        for q in trial.queries[:_QUERIES]
        if q.before_ms is not None and q.after_ms is not None
    ]
    more = len(trial.queries) - _QUERIES
    if more > 0:
        said.append(f"{count_of(more, 'further query', 'further queries')} in its evidence")
    words = f"{in_sentences(said)}." if said else ""
    reason = clean(trial.reason).rstrip(".") if trial.reason else ""
    return " ".join(part for part in (words, f"{capitalised(reason)}." if reason else "") if part)
