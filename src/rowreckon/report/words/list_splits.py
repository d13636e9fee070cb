"""How each query of a list splits its time: the lengths of the bars, and what they add up to."""

from __future__ import annotations

from rowreckon.document.audit import Audit, TimeBy
from rowreckon.report.words.changes.trial_headline import trial_result, was_tried
from rowreckon.report.words.part_words import PARTS_OF_TIME, split_of, whole_of


def list_splits(audit: Audit) -> dict[int, TimeBy]:
    """By the plan's number, of those that ran to their end. A query that a trial measured again is as long as the
    trial measured it without the changes, so that the bars add up to the headline's figure."""
    result = trial_result(audit) if was_tried(audit) else None
    measured = result.before if result is not None else {}
    found: dict[int, TimeBy] = {}
    for index, plan in enumerate(audit.plans):
        split = split_of(plan) if plan.outcome == "ran" else None
        if split is not None:
            found[index] = as_long_as(split, measured.get(plan.source))
    return found


def whole_split(audit: Audit) -> TimeBy | None:
    """Over all plans; of a document of version 1 from its plans."""
    known = audit.summary.time_by
    if known is not None and not was_tried(audit):
        return known
    splits = list(list_splits(audit).values())
    if not splits:
        return None
    return TimeBy(**{part.key: sum(getattr(split, part.key) for split in splits) for part in PARTS_OF_TIME})


def as_long_as(split: TimeBy, ms: float | None) -> TimeBy:
    """The same parts, scaled so that their sum is `ms`; unchanged where that is not known."""
    whole = whole_of(split)
    if ms is None or whole <= 0:
        return split
    return TimeBy(**{part.key: getattr(split, part.key) * ms / whole for part in PARTS_OF_TIME})
