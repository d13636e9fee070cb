"""Plans from elsewhere, planned again on a stand-in: whether it plans as the source did, and what rivals would cost.

What it says of rivals counts only where it made the captured plan to the cent: then it prices as the source does.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

from rowreckon.capture import STAND_IN_NOT_ASKED, Alternative, Capture
from rowreckon.errors import RowreckonError
from rowreckon.joins.facts.misestimated import misestimated_joins
from rowreckon.joins.facts.own_workers import reckoned_of
from rowreckon.plan.document import parse_document, rebuild_plan
from rowreckon.plan.printed import Printed, called
from rowreckon.plural import counted
from rowreckon.server.executing.alternatives import switch_sets
from rowreckon.stand_in.bodies import looked_into, not_comparable
from rowreckon.stand_in.compare import PlanDifference, plan_differences
from rowreckon.stand_in.facts import StandInFacts
from rowreckon.stand_in.settings import planning_settings
from rowreckon.stand_in.values.executions import has_parameters

from .for_execution import planned_as_captured
from .forging import Allowance
from .generic import generic_plan
from .moving import with_moved_facts
from .planning import Planner
from .programs import ContainerImage, Programs
from .right_counts.captures import with_right_counts
from .right_counts.counting import Count
from .standing import StandIn, stand_in
from .values import plans_by_value, some_notes

AGREES: Final = "the stand-in plans this query as the source did, to the cent"
LIMITED: Final = "it was planned for a role of the source that does not see everything"
RIVALS: Final = "what its planner says that other join methods cost at the estimates comes from the stand-in"
FROM_DUMP: Final = (
    "the stand-in was built from a dump: it has the page counts of the last ANALYZE, and guessed heights of B-trees"
)
WITHOUT_VALUES: Final = (
    f"{STAND_IN_NOT_ASKED}the plan came without the values of its query's parameters, which --query gives"
)
_MOST_TOLD: Final = 3
"""Differences that a note tells; the others are counted."""

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class Asked:
    """The captures with what a stand-in said of them, and that stand-in, None where none could be built.

    `others` are the list's queries, by name, that no capture is the plan of.
    """

    captures: list[Capture]
    others: Mapping[str, str]
    there: StandIn | None


@contextlib.contextmanager
def asked_stand_in(
    captures: Sequence[Capture],
    facts: StandInFacts,
    *,
    threshold: float,
    others: Mapping[str, str] = MappingProxyType({}),
    named: Programs | None = None,
    progress: Progress = lambda step, done, total: None,
) -> Iterator[Asked]:
    """The captures with what a stand-in built from the facts says of them, in notes and as alternatives.

    It stands until the block ends. Only captures with a plan and its query are asked about; one without takes that of
    the `others` which gives its plan. Where no stand-in can be built, their notes say why. An interrupt leaves the rest
    unasked, and no stand-in.
    """
    out = list(captures)
    planned = [n for n, c in enumerate(captures) if c.explain is not None]
    if not planned or not (others or any(captures[n].query for n in planned)):
        yield Asked([_without_query(c) for c in out], others, None)
        return
    with contextlib.ExitStack() as stack:
        there = None
        left = dict(others)
        plans, allowed = _PlannedOnce(), Allowance()
        progress("building a stand-in", 0, len(planned) + 1)
        try:
            there = stack.enter_context(stand_in(facts, named))
            for done, number in enumerate(planned, 1):
                progress("asking the stand-in", done, len(planned) + 1)
                known = _recognised(out[number], left, facts, there.planner, plans)
                out[number] = _asked(known, facts, there, threshold, allowed) if known.query else known
                if known.query and facts.from_dump:
                    out[number] = _noted(out[number], FROM_DUMP)
                if known.query and isinstance(named, ContainerImage):
                    out[number] = _noted(out[number], f"the stand-in's server was {there.place.binaries.told}")
        except RowreckonError as error:
            for number in planned:
                out[number] = _noted(captures[number], f"{STAND_IN_NOT_ASKED}{error.sentence()}")
        except KeyboardInterrupt:
            there = None
            for number in planned:
                if out[number] is captures[number]:
                    out[number] = _noted(captures[number], f"{STAND_IN_NOT_ASKED}the run was interrupted")
        yield Asked([_without_query(c) for c in out], left, there)


def _without_query(capture: Capture) -> Capture:
    if capture.explain is None or capture.query:
        return capture
    return _noted(capture, f"{STAND_IN_NOT_ASKED}the plan came without its query, which --query gives")


class _PlannedOnce:
    """Plans of a list's queries, each asked for once for the same settings, however many captures look for theirs."""

    def __init__(self) -> None:
        self._known: dict[tuple[str, frozenset[tuple[str, str]]], Mapping[str, Any] | None] = {}

    def plan(self, planner: Planner, query: str, settings: Mapping[str, str]) -> Mapping[str, Any] | None:
        """The plan, None where there is none."""
        key = query, frozenset(settings.items())
        if key not in self._known:
            self._known[key] = None
            with contextlib.suppress(RowreckonError):
                self._known[key] = planner.plan(query, settings)["Plan"]
        return self._known[key]


def _recognised(
    capture: Capture, others: dict[str, str], facts: StandInFacts, planner: Planner, plans: _PlannedOnce
) -> Capture:
    """The capture with the only query of the others that is planned as it was; that one is taken out of them."""
    if capture.query or not others:
        return capture
    settings, plan = planning_settings(facts.settings, capture.settings), _as_printed(capture)
    planned = ((name, plans.plan(planner, text, settings)) for name, text in others.items())
    alike = [name for name, found in planned if found is not None and not plan_differences(plan, found)]
    return capture.model_copy(update={"query": others.pop(alike[0])}) if len(alike) == 1 else capture


def _asked(capture: Capture, facts: StandInFacts, there: StandIn, threshold: float, allowed: Allowance) -> Capture:
    planner, without = there.planner, there.without
    assert capture.explain is not None
    assert capture.query is not None
    if capture.server_version is not None and capture.server_version // 10000 != facts.server.major:
        return _noted(
            capture,
            f"{STAND_IN_NOT_ASKED}the plan is of PostgreSQL {capture.server_version // 10000}, the facts of"
            f" {facts.server.major}",
        )
    settings, plan = planning_settings(facts.settings, capture.settings), _as_printed(capture)
    try:
        planner, document, query = planned_as_captured(planner, facts, capture, settings, plan)
    except RowreckonError as error:
        return _noted(capture, error.sentence(), *_lacks(without))
    differences = plan_differences(plan, document["Plan"])
    if differences and capture.prepared is None and has_parameters(capture.query):
        return _noted(capture, WITHOUT_VALUES)
    if differences:
        hidden = looked_into(query, facts)
        why = [*_told(differences, plan), *([not_comparable(hidden)] if hidden else [])]
        others = there.place.other_programs(facts.server.version)
        return _noted(capture, *why, *_lacks(without), *others)
    reckoned = reckoned_of(capture)
    joins = misestimated_joins(reckoned, threshold=threshold)
    found = _rivals(query, planner, settings, {join.method for join in joins})
    notes = (AGREES, *(() if planner.sees_everything else (LIMITED,)), *((RIVALS,) if found else ()))
    by_value = plans_by_value(query, facts, planner, settings)
    prepared, unprepared = generic_plan(capture.prepared or query, facts, planner, settings, capture.executions)
    told = {
        "query": query,
        "alternatives": (*capture.alternatives, *found),
        "values": tuple(by_value.values),
        "generic_plan": prepared,
    }
    answered = _noted(capture.model_copy(update=told), *notes, *some_notes(by_value.notes), *unprepared)
    if not joins:
        return answered
    wanted = [join.node for join in joins]
    answered = with_moved_facts(answered, wanted, reckoned, facts, there, planner, settings, allowed)
    return with_right_counts(answered, facts, there, planner, settings, allowed)


def with_counts(
    capture: Capture, facts: StandInFacts, there: StandIn, threshold: float, allowed: Allowance, count: Count
) -> Capture:
    """The capture with right counts alone, for which joins of a new plan are counted on the source.

    As it is where the stand-in does not plan as the source did, or no join is misestimated.
    """
    if capture.explain is None or not capture.query:
        return capture
    settings, plan = planning_settings(facts.settings, capture.settings), _as_printed(capture)
    try:
        planner, document, query = planned_as_captured(there.planner, facts, capture, settings, plan)
    except RowreckonError:
        return capture
    if plan_differences(plan, document["Plan"]) or not misestimated_joins(reckoned_of(capture), threshold=threshold):
        return capture
    asked = capture.model_copy(update={"query": query})
    return with_right_counts(asked, facts, there, planner, settings, allowed, count)


def _rivals(query: str, planner: Planner, settings: Mapping[str, str], methods: set[Any]) -> list[Alternative]:
    """The plans with the misestimated joins' methods switched off, as `planner_alternatives` asks a live server."""
    found: list[Alternative] = []
    for off in switch_sets(methods) if methods else ():
        try:
            document = planner.plan(query, {**settings, **dict.fromkeys(off, "off")})
            found.append(Alternative(switched_off=off, explain=parse_document(document), asked_of="stand_in"))
        except RowreckonError:
            continue
    return found


def _as_printed(capture: Capture) -> Mapping[str, Any]:
    """The captured plan under EXPLAIN's own keys."""
    assert capture.explain is not None
    return rebuild_plan(capture.explain.plan)


def _told(differences: Sequence[PlanDifference], plan: Printed) -> list[str]:
    shown = [
        f"the stand-in plans otherwise: {each.key} of {called(plan, each.node)} is {each.stand_in}, at the source"
        f" {each.source}"
        for each in differences[:_MOST_TOLD]
    ]
    more = len(differences) - len(shown)
    shown += [f"the stand-in's plan differs in {counted(more, 'more place')}"] if more else []
    return [*shown, "the stand-in's answers are left out, since it does not plan as the source did"]


def _lacks(without: Sequence[str]) -> list[str]:
    """What the stand-in does without, which may be why."""
    shown = [f"the stand-in lacks something: {each}" for each in without[:_MOST_TOLD]]
    more = len(without) - len(shown)
    return [*shown, f"the stand-in lacks {counted(more, 'thing')} more"] if more else shown


def _noted(capture: Capture, *notes: str) -> Capture:
    return capture.model_copy(update={"notes": (*capture.notes, *notes)})
