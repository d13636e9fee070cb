"""The other misestimated joins of a plan, beside the one that its first screen shows."""

from __future__ import annotations

from collections import Counter

from rowreckon.document.audit import Join, Plan, Verdict
from rowreckon.report.words.escape import quote
from rowreckon.report.words.headline import joins_by_weight
from rowreckon.report.words.join_words import loss_factor_words
from rowreckon.report.words.numbers import capitalised, listed, number
from rowreckon.report.words.sentences import method_name
from rowreckon.report.words.ticket_words import rows_words, short_names
from rowreckon.report.words.time_words import join_time

_ORDER: tuple[Verdict, ...] = ("crossed", "undecided", "held")


def other_joins_words(plan: Plan) -> str:
    """Which further join is misestimated, its verdict, its share of the time, by how much it was off; how many more
    there are. Empty where the join shown is the only one."""
    others = [join for join in joins_by_weight(plan) if join.verdict != "accurate"][1:]
    return f"{_named(plan, others[0])} {_more(others[1:])}".rstrip() if others else ""


def _named(plan: Plan, join: Join) -> str:
    inner = listed([quote(name, 60) for name in short_names(join.inner.tables)], 3)
    whom = f"{capitalised(method_name(join.method))}{f' with {inner}' if inner else ''}"
    part = join_time(plan, [join]).share
    loss = loss_factor_words(join) if join.verdict == "crossed" else ""
    known: list[str] = [join.verdict]
    known += [f"{part} of the time"] if part is not None else []
    known += [f"{loss} the cheapest cost"] if loss else []
    rows = rows_words(join, plan)
    return f"{whom} ({', '.join(known)}): {rows[:1].lower()}{rows[1:]}."


def _more(joins: list[Join]) -> str:
    counted = Counter(join.verdict for join in joins)
    kinds = [(counted[verdict], verdict) for verdict in _ORDER if counted[verdict]]
    said = [f"{number(count)} more {'is' if count == 1 else 'are'} {verdict}" for count, verdict in kinds]
    return f"{', '.join(said)}." if said else ""
