"""What the planner would have done had it known the row counts, in a sentence or two."""

from __future__ import annotations

from rowreckon.document.audit import Plan, RightCounts
from rowreckon.report.words.changes.touch_words import limit_words
from rowreckon.report.words.escape import quote
from rowreckon.report.words.numbers import times

_WORTH_SAYING = 1.05
_NAME = 60


def right_counts_line(plan: Plan) -> str | None:
    """What it is, and how far a fact may move before it is another; None where nobody was asked."""
    found = plan.with_right_counts
    if found is None or found.plan is None:
        return None
    given = "With right counts" if not found.not_reached else "With the right counts that could be given"
    if found.order_changed is None:
        return f"{given} the planner takes another order of joins, which hangs on counts that nobody measured."
    worth = (found.cost_ratio or 0.0) >= _WORTH_SAYING
    told = f"{given} the planner {_does(found)}{f' and costs {times(found.cost_ratio)} less' if worth else ''}."
    held = limit_words(found.moved_facts)
    return f"{told} That plan comes {held}." if held else told


def _does(found: RightCounts) -> str:
    if found.order_changed and found.starts_from is not None:
        return f"starts from {quote(found.starts_from, _NAME)}"
    if found.order_changed:
        return "joins in another order"
    return "keeps the order of joins, takes other methods" if found.methods_changed else "joins as it did"
