"""What a change touches beside the queries that it is meant for, and what a stand-in said of that beforehand.

What it said stays so while facts move within limits, which have the same words for all that it says.
"""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.document.audit import FactLimit, Foretold, ForetoldQuery, MovedFacts, Remedy
from rowreckon.document.foretold import NEEDS_TRIAL
from rowreckon.report.words.escape import clean, quote
from rowreckon.report.words.numbers import capitalised, count_of, listed, number, times
from rowreckon.report.words.sentences import tables_of
from rowreckon.report.words.ticket_words import short_names

_NAMED = 3
_TABLES = 8
_SAME_ROWS = ("new_index", "drop_index", "expression_index")
"""The kinds of changes that leave estimated rows as they are, so that costs before and after can be compared."""


def touch_words(remedy: Remedy, *, has_others: bool) -> str:
    """Which plans it may change; `has_others` where the audit holds further queries, which then are named.

    Where a stand-in was asked, what it said of them stands in the place of their names.
    """
    said = _whatever_reads(remedy)
    if remedy.foretold is not None and remedy.foretold.planned:
        return " ".join(part for part in (said, foretold_words(remedy)) if part)
    readers = [quote(effect.query, 60) for effect in remedy.side_effects if effect.change != "plan_same"]
    verb = "call" if remedy.kind == "function_rows" else "read"
    if readers:
        seen = f"Here also {listed(readers, _NAMED)} {verb}{'s' if len(readers) == 1 else ''} {_it(remedy)}."
    else:
        known = remedy.tables or remedy.kind == "function_rows"
        seen = _none_seen(remedy, verb) if has_others and known else ""
    return " ".join(part for part in (said, seen) if part)


def touched_together(remedies: Sequence[Remedy]) -> str:
    """Which plans several changes may change that are made together: each table is named once."""
    tables = tuple(dict.fromkeys(table for remedy in remedies for table in remedy.tables))
    said = [f"May change the plan of every query on {tables_of(short_names(tables), _TABLES)}."] if tables else []
    others = dict.fromkeys(_whatever_reads(remedy) for remedy in remedies if not remedy.tables)
    return " ".join(part for part in (*said, *others) if part)


def _whatever_reads(remedy: Remedy) -> str:
    """By the tables; a change that names none says by its first caution whom it concerns."""
    if remedy.tables:
        return f"May change the plan of every query on {tables_of(short_names(remedy.tables))}."
    return f"{capitalised(clean(remedy.cautions[0]).rstrip('.'))}." if remedy.cautions else ""


def _it(remedy: Remedy) -> str:
    return "it" if len(remedy.tables) < 2 else "them"


def _none_seen(remedy: Remedy, verb: str) -> str:
    """A function may be called by a view or another function as well, which no text and not every plan shows."""
    return "No other query here is seen to call it." if verb == "call" else f"No other query here reads {_it(remedy)}."


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
    if remedy.kind not in _SAME_ROWS:
        # with other estimates a cost says nothing: it is of other rows
        named = [quote(each.query, 60) for each in told.queries if each.change == "plan_changed"]
        return f"{first.rstrip('.')}: {listed(named, _NAMED)}.{_held(told)}"
    priced = [each for each in told.queries if each.change == "plan_changed" and ratio(each) is not None]
    costs = [
        f"{quote(each.query, 60)}{' costs' if number == 0 else ''} {_factor(ratio(each), whole=number == 0)}"
        for number, each in enumerate(dearest_first(priced))
    ]
    return (f"{first} Then {listed(costs, _NAMED)}." if costs else first) + _held(told)


def _held(told: Foretold) -> str:
    """How far a fact may move before the plan foretold of the first query is another; empty where none turns it."""
    moved = next(iter(told.moved_facts), None)
    held = limit_words(moved)
    if not held or moved is None:
        return ""
    whose = "The new plan" if told.changed == 1 else f"That of {quote(moved.query or '', 60)}"
    return f" {whose} comes {held}."


def _factor(cost: float | None, *, whole: bool) -> str:
    """`1.3 times as much`, `as much as before`; without `whole`, as the next in a list, `less than 0.001 times`."""
    if cost is not None and 0.995 <= cost < 1.005:
        return "as much as before"
    if cost is None or cost >= 0.1:
        told = times(cost)
    else:
        told = f"{cost:.1g} times" if cost >= 0.001 else "less than 0.001 times"
    return f"{told} as much" if whole else told


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


def limit_words(moved: MovedFacts | None) -> str:
    """`while rows of guests stay from 3,000 to 45,000 (now 9,000)`: the fact that turns it soonest; empty for none."""
    first = next(iter(moved.turns_at), None) if moved is not None else None
    if first is None or (first.from_ is None and first.to is None):
        return ""
    return f"while {clean(first.fact)} stay {_bounds(first)} (now {number(first.value)})"


def _bounds(limit: FactLimit) -> str:
    if limit.from_ is None:
        return f"up to {number(limit.to)}"
    return f"from {number(limit.from_)} on" if limit.to is None else f"from {number(limit.from_)} to {number(limit.to)}"
