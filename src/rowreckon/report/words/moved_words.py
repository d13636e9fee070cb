"""How far facts may move before what a stand-in said is no longer so, in words."""

from __future__ import annotations

from rowreckon.document.audit import FactLimit, MovedFacts
from rowreckon.report.words.escape import clean
from rowreckon.report.words.numbers import number


def limit_words(moved: MovedFacts | None) -> str:
    """`for rows of guests from 3,000 to 45,000`, of the fact that turns it soonest; empty where none does."""
    first = next(iter(moved.turns_at), None) if moved is not None else None
    if first is None or (first.from_ is None and first.to is None):
        return ""
    return f"for {clean(first.fact)} {_bounds(first)}"


def _bounds(limit: FactLimit) -> str:
    if limit.from_ is None:
        return f"up to {number(limit.to)}"
    return f"from {number(limit.from_)} on" if limit.to is None else f"from {number(limit.from_)} to {number(limit.to)}"
