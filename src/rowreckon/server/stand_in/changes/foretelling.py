"""Asking a stand-in what each remedy of an audit does to the whole list; each is rolled back before the next."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from rowreckon.capture import Capture
from rowreckon.document.audit import Audit, Foretold, MovedFacts, Remedy
from rowreckon.errors import RowreckonError
from rowreckon.plan.document import rebuild_plan
from rowreckon.plan.same import as_run
from rowreckon.server.stand_in.for_role import planned_for_its_role
from rowreckon.server.stand_in.forging import Allowance, forged
from rowreckon.server.stand_in.moving import Moving
from rowreckon.server.stand_in.planning import Planner
from rowreckon.server.stand_in.standing import StandIn
from rowreckon.stand_in.bodies import looked_into, not_comparable
from rowreckon.stand_in.compare import plan_differences
from rowreckon.stand_in.facts import StandInFacts
from rowreckon.stand_in.foretellable import statements_of, why_not_foretold
from rowreckon.stand_in.settings import planning_settings
from rowreckon.stand_in.side_effects import Planned, foretold, with_foretold

from .changing import Changed, changed

Progress = Callable[[str, int, int], None]
_MOST_QUERIES = 2
"""Most queries of one remedy for which facts are moved; no source."""
_MOST_PLANS = 120
"""Most plans that are asked for about one of them; no source."""
_DIFFERS = "the stand-in does not plan it as the source did"


@dataclass(frozen=True, slots=True)
class ListedQuery:
    """A query to plan: its name, its text, its settings, the captured plan's root under EXPLAIN's own keys, and the
    role that captured it, as far as known."""

    name: str
    text: str
    settings: Mapping[str, str]
    captured: Mapping[str, Any] | None = None
    captured_as: str | None = None


def listed_queries(
    captures: Sequence[Capture],
    others: Mapping[str, str],
    facts: StandInFacts,
    shown: Callable[[str], str] | None = None,
) -> tuple[ListedQuery, ...]:
    """The captures that have a query, and other queries of the same database by their names.

    `shown` gives what an audit calls a query of this name.
    """
    named = shown or str
    found = [
        ListedQuery(
            named(capture.name),
            capture.query,
            planning_settings(facts.settings, capture.settings),
            rebuild_plan(capture.explain.plan) if capture.explain is not None else None,
            capture.session.role if capture.session is not None else None,
        )
        for capture in captures
        if capture.query
    ]
    settings = planning_settings(facts.settings, None)
    return (*found, *(ListedQuery(named(name), text, settings) for name, text in others.items()))


def foretell(
    audit: Audit,
    there: StandIn,
    facts: StandInFacts,
    queries: Sequence[ListedQuery],
    *,
    masked: bool = False,
    progress: Progress = lambda step, done, total: None,
) -> Audit:
    """The audit, its remedies with what the stand-in said of them; an interrupt leaves the rest unasked."""
    if not audit.remedies or not queries:
        return audit
    numbers: dict[str, int] = {}
    for number, plan in enumerate(audit.plans):
        numbers.setdefault(plan.source, number)
    remedies = list(audit.remedies)
    try:
        found = [before_any_change(there.planner, facts, query, numbers.get(query.name)) for query in queries]
        before, roles = [one for one, _ in found], [role for _, role in found]
        allowed = Allowance()
        for at, remedy in enumerate(remedies):
            progress("asking the stand-in about the changes", at, len(remedies))
            remedies[at] = _asked(remedy, there, facts, queries, before, roles, allowed, masked=masked)
    except KeyboardInterrupt:
        pass
    return audit.model_copy(update={"remedies": tuple(remedies)})


def _asked(
    remedy: Remedy,
    there: StandIn,
    facts: StandInFacts,
    queries: Sequence[ListedQuery],
    before: Sequence[Planned],
    roles: Sequence[str | None],
    allowed: Allowance,
    *,
    masked: bool,
) -> Remedy:
    reason = why_not_foretold(remedy, masked=masked)
    if reason is not None:
        return with_foretold(remedy, Foretold(reason=reason), before)
    try:
        with changed(there, statements_of(remedy)) as now:
            after = [
                _planned(now.planner.for_role(role), query, one.number) if one.plan is not None else one
                for query, one, role in zip(queries, before, roles, strict=True)
            ]
            told = foretold(remedy, before, after, now.index_kb)
            moved = _moved(remedy, told, now, facts, queries, after, roles, allowed)
            return with_foretold(remedy, told.model_copy(update={"moved_facts": moved}), before)
    except RowreckonError as error:
        return with_foretold(remedy, Foretold(reason=error.sentence()), before)


def _moved(
    remedy: Remedy,
    told: Foretold,
    now: Changed,
    facts: StandInFacts,
    queries: Sequence[ListedQuery],
    after: Sequence[Planned],
    roles: Sequence[str | None],
    allowed: Allowance,
) -> tuple[MovedFacts, ...]:
    """How far facts may move before the plans foretold are others; of queries that the remedy is meant for first.

    Columns of which the remedy sets a figure are left as it sets them.
    """
    meant = {reference.plan for reference in remedy.findings}
    changed_queries = {each.query for each in told.queries if each.change == "plan_changed"}
    chosen = [n for n, one in enumerate(after) if one.name in changed_queries and one.plan is not None]
    chosen.sort(key=lambda n: after[n].number not in meant)
    own = frozenset(remedy.columns) if remedy.kind == "distinct_count" else frozenset[str]()
    found: list[MovedFacts] = []
    for number in chosen[:_MOST_QUERIES]:
        query, plan = queries[number], after[number].plan
        assert plan is not None
        with (
            contextlib.suppress(RowreckonError),
            allowed.spent() as seconds,
            forged(now.connection, facts, query.settings, roles[number], seconds) as forgery,
        ):
            limits = Moving(forgery, query.text, plan, own).limits(as_run, _MOST_PLANS)
            found.append(limits.model_copy(update={"query": query.name}))
    return tuple(found)


def before_any_change(
    planner: Planner, facts: StandInFacts, query: ListedQuery, number: int | None
) -> tuple[Planned, str | None]:
    """The plan without any change, where it is the source's, and the role under which it is."""
    if query.captured is None:
        hidden = looked_into(query.text, facts)
        if hidden:
            return Planned(query.name, number, None, not_comparable(hidden)), None
        return _planned(planner, query, number), None
    try:
        asked, document = planned_for_its_role(
            planner, facts, query.text, query.settings, query.captured, query.captured_as
        )
    except RowreckonError as error:
        return Planned(query.name, number, None, error.sentence()), None
    if plan_differences(query.captured, document["Plan"]):
        return Planned(query.name, number, None, _DIFFERS), None
    return Planned(query.name, number, document["Plan"]), asked.role


def _planned(planner: Planner, query: ListedQuery, number: int | None) -> Planned:
    try:
        return Planned(query.name, number, planner.plan(query.text, query.settings)["Plan"])
    except RowreckonError as error:
        return Planned(query.name, number, None, error.sentence())
