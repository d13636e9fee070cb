"""One join on two row rulers of one scale: as the audit found it, and as a trial's plan had it.

The joins are matched by the tables that they bring together, whichever side is which; where another join order came,
the join that now stands over the same tables takes the place of the one that is gone, and the words say so.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from rowreckon.document.audit import Join, Plan, Remedy, TrialQuery
from rowreckon.frozen import frozen
from rowreckon.report.comparing.matching import bare_table, join_key
from rowreckon.report.drawings.ruler import Ruler, deciding, rulers
from rowreckon.report.words.borders import Side
from rowreckon.report.words.escape import quote
from rowreckon.report.words.headline import joins_by_weight
from rowreckon.report.words.join_words import verdict_sentence
from rowreckon.report.words.numbers import number
from rowreckon.report.words.sentences import method_name, tables_of

PAIRS = 3
"""Queries of one change whose rulers are drawn."""

_WORD = re.compile(r"[\w.\"]+")


@frozen
class BeforeAfter:
    """A join's rulers before and after a change; `lead` says which join it is, `now` how it stands with the change."""

    lead: str
    before: Ruler
    after: Ruler
    now: str


def before_after(remedy: Remedy, plans: Sequence[Plan]) -> tuple[BeforeAfter, ...]:
    """For each query that the change was tried on, the worst join that it is meant for; none whose ruler is the same
    as before."""
    trial = remedy.trial
    if trial is None or trial.verdict == "not_applied":
        return ()
    found: list[BeforeAfter] = []
    for query in trial.queries:
        index = _plan_of(query, plans)
        before = None if index is None else _join_meant(remedy, index, plans[index])
        after = None if before is None else join_now(before, query.joins_after)
        if before is not None and after is not None:
            found += _drawn(remedy, query, before, after)
    return tuple(found[:PAIRS])


def join_now(before: Join, after: Sequence[Join]) -> Join | None:
    """The join of another plan that brings the same tables together, else the smallest one over these and more."""
    tables = _tables(before)
    same = [join for join in after if join_key(join) == join_key(before)]
    same = same or [join for join in after if _tables(join) == tables]
    if same:
        return max(same, key=lambda join: (_sides(join) == _sides(before), _likeness(join, before), -join.node))
    wider = [join for join in after if tables < _tables(join)]
    return min(wider, key=lambda join: (len(_tables(join)), -join.node), default=None)


def _plan_of(query: TrialQuery, plans: Sequence[Plan]) -> int | None:
    """The number of the audit's plan of a query that was tried."""
    if query.plan is not None:
        return query.plan if 0 <= query.plan < len(plans) else None
    return next((index for index, plan in enumerate(plans) if plan.source == query.query), None)


def _join_meant(remedy: Remedy, index: int, plan: Plan) -> Join | None:
    """The worst of the joins that suffer from what the change is to mend, else the worst of the plan."""
    findings = [plan.findings[r.finding] for r in remedy.findings if r.plan == index and r.finding < len(plan.findings)]
    nodes = {node for finding in findings for node in finding.joins}
    ordered = joins_by_weight(plan)
    return next((join for join in ordered if join.node in nodes), ordered[0] if ordered else None)


def _tables(join: Join) -> frozenset[str]:
    return frozenset(bare_table(name) for name in (*join.outer.tables, *join.inner.tables))


def _sides(join: Join) -> frozenset[frozenset[str]]:
    return frozenset(frozenset(bare_table(name) for name in side.tables) for side in (join.outer, join.inner))


def _likeness(one: Join, other: Join) -> int:
    """How many words two conditions share; the methods print the same condition turned, or in part."""
    words = [set(_WORD.findall(join.condition or "")) for join in (one, other)]
    return len(words[0] & words[1])


def _drawn(remedy: Remedy, query: TrialQuery, before: Join, after: Join) -> list[BeforeAfter]:
    first, second = rulers(before), rulers(after)
    if not first or not second:
        return []
    if before.method == after.method and _same(deciding(first)[0], deciding(second)[0]):
        return []
    low = min(ruler.low for ruler in (*first, *second))
    high = max(ruler.high for ruler in (*first, *second))
    side = deciding(first)[0].side
    one = _of_side(rulers(before, (low, high)), side)
    other = _of_side(rulers(after, (low, high)), side)
    turned = ", its sides turned" if _are_turned(before, after) else ""
    return [
        BeforeAfter(
            _lead(query, before, after),
            replace(one, title=f"Before, {_article(before)}: {_uncapitalised(one.title)}"),
            replace(
                other,
                title=f"After change {number(remedy.rank)}, {_article(after)}{turned}: {_uncapitalised(other.title)}",
            ),
            f"With the change: {verdict_sentence(after)}.",
        )
    ]


def _same(one: Ruler, other: Ruler) -> bool:
    return (one.side, one.stretches, one.ticks, one.note) == (other.side, other.stretches, other.ticks, other.note)


def _of_side(drawn: tuple[Ruler, ...], side: Side) -> Ruler:
    return deciding(tuple(ruler for ruler in drawn if ruler.side == side) or drawn)[0]


def _are_turned(before: Join, after: Join) -> bool:
    """Whether the tables that were read as outer are the inner side now."""
    one, other = ({bare_table(name) for name in side.tables} for side in (before.outer, after.inner))
    return bool(one) and one == other


def _article(join: Join) -> str:
    return f"a {method_name(join.method)}"


def _uncapitalised(title: str) -> str:
    return title[:1].lower() + title[1:]


def _lead(query: TrialQuery, before: Join, after: Join) -> str:
    which = f"Query {quote(query.query, 120)}"
    was, now = _named(before), _named(after)
    if _sides(before) == _sides(after):
        return f"{which}: {was}, before and after:"
    if _tables(before) == _tables(after):
        return f"{which}: another join order came; {was} is gone. Over the same tables now stands {now}:"
    return f"{which}: another join order came; {was} is gone. The nearest that holds its tables is {now}:"


def _named(join: Join) -> str:
    if not join.outer.tables or not join.inner.tables:
        return "the join"
    return f"the join of {tables_of(join.outer.tables)} (outer) with {tables_of(join.inner.tables)}"
