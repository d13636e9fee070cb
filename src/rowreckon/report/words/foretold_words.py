"""What an empty server said of a change beforehand: which queries of the list get another plan, at which cost."""

from __future__ import annotations

from rowreckon.document.audit import ForetoldQuery, Remedy
from rowreckon.document.foretold import NEEDS_TRIAL
from rowreckon.report.words.escape import quote
from rowreckon.report.words.numbers import count_of, listed, times

_NAMED = 3


def foretold_words(remedy: Remedy) -> str:
    """`On a stand-in it changes the plan of 2 of 14 queries.` and their costs; empty where none was asked."""
    told = remedy.foretold
    if told is None:
        return ""
    if told.reason is not None:
        return "What it does hangs on the rows, so only a trial with data tells." if told.reason == NEEDS_TRIAL else ""
    if not told.planned:
        return "A stand-in plans none of these queries as the source did, so it foretells nothing."
    if not told.changed:
        return f"On a stand-in it changes the plan of none of {count_of(told.planned, 'query', 'queries')}."
    first = f"On a stand-in it changes the plan of {told.changed} of {count_of(told.planned, 'query', 'queries')}."
    priced = [each for each in told.queries if each.change == "plan_changed" and ratio(each) is not None]
    costs = [f"{_factor(ratio(each))} for {quote(each.query, 60)}" for each in dearest_first(priced)]
    return f"{first} Their costs become {listed(costs, _NAMED)}." if costs else first


def _factor(cost: float | None) -> str:
    """`1.3 times`, `0.04 times`, `less than 0.001 times`."""
    if cost is None or cost >= 0.1:
        return times(cost)
    return f"{cost:.1g} times" if cost >= 0.001 else "less than 0.001 times"


def ratio(query: ForetoldQuery) -> float | None:
    """What the plan costs with the change, in units of what it costs without."""
    if query.cost_before is None or query.cost_after is None or query.cost_before <= 0:
        return None
    return query.cost_after / query.cost_before


def dearest_first(queries: list[ForetoldQuery]) -> list[ForetoldQuery]:
    """Those that become dearer, the dearest first; then the others, the cheapest first."""

    def place(query: ForetoldQuery) -> tuple[bool, float]:
        factor = ratio(query) or 0.0
        return factor <= 1.0, -factor if factor > 1.0 else factor

    return sorted(queries, key=place)
