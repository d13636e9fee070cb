"""What lies between the two audits of a comparison, as far as they tell it themselves."""

from __future__ import annotations

from rowreckon.document.audit import Plan, Remedy
from rowreckon.report.comparing.compare import Comparison
from rowreckon.report.story.list_ticket import ListLine
from rowreckon.report.words.changes.remedy_words import remedy_title
from rowreckon.report.words.escape import quote
from rowreckon.report.words.numbers import listed, number
from rowreckon.report.words.ticket_words import short_names

_NAMED = 3
_NOT_TOLD = "The audits do not tell what was changed between them."


def what_was_changed(comparison: Comparison) -> ListLine | None:
    """Settings that are others now, and the changes of the first audit that the second proposes no more; None where
    nothing differs."""
    if not comparison.differs:
        return None
    said = [*_settings(comparison), *_no_longer_proposed(comparison)]
    return ListLine("Was done", " ".join(said) or _NOT_TOLD)


def _settings(comparison: Comparison) -> list[str]:
    """Each setting that has another value, as the plans' sessions tell."""
    found: dict[str, None] = {}
    for plan in comparison.plans:
        before, after = _session(plan.before), _session(plan.after)
        for name in sorted(before.keys() & after.keys()):
            if before[name] != after[name]:
                found[f"{quote(name)} was {quote(before[name], 40)}, now it is {quote(after[name], 40)}"] = None
    return [f"{setting}." for setting in list(found)[:_NAMED]]


def _session(plan: Plan) -> dict[str, str]:
    return plan.session.settings if plan.session is not None else {}


def _no_longer_proposed(comparison: Comparison) -> list[str]:
    """By title, each once: they may be what was done."""
    gone: dict[int, Remedy] = {}
    for plan in comparison.plans:
        for remedy in plan.remedies:
            if not any(other.is_open(remedy) for other in comparison.plans):
                gone[remedy.rank] = remedy
    if not gone:
        return []
    ranks = sorted(gone)
    titles = [remedy_title(gone[rank].model_copy(update={"tables": short_names(gone[rank].tables)})) for rank in ranks]
    named = listed([f"{title[:1].lower()}{title[1:]}" for title in titles], _NAMED)
    one = len(ranks) == 1
    which = f"change{'' if one else 's'} {listed([number(rank) for rank in ranks], 6)} of the first audit"
    verb = "is" if one else "are"
    return [f"Perhaps {which}, which {verb} no longer proposed: {named}."]
