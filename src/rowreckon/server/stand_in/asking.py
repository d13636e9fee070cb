"""Plans from elsewhere, planned again on a stand-in: whether it plans as the source did, and what rivals would cost.

What it says of rivals counts only where it made the captured plan to the cent: then it prices as the source does.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from rowreckon.capture import Alternative, Capture
from rowreckon.errors import RowreckonError
from rowreckon.joins.facts.misestimated import misestimated_joins
from rowreckon.joins.facts.own_workers import reckoned_of
from rowreckon.plan.document import parse_document
from rowreckon.plural import counted
from rowreckon.server.executing.alternatives import switch_sets
from rowreckon.stand_in.compare import PlanDifference, plan_differences
from rowreckon.stand_in.facts import StandInFacts
from rowreckon.stand_in.settings import planning_settings

from .for_role import planned_for_its_role
from .planning import Planner
from .standing import stand_in
from .values import plans_by_value, some_notes

AGREES: Final = "the stand-in plans this query as the source did, to the cent"
LIMITED: Final = "it was planned for a role of the source that does not see everything"
RIVALS: Final = "what its planner says that other join methods cost at the estimates comes from the stand-in"
_MOST_TOLD: Final = 3
"""Differences that a note tells; the others are counted."""

Progress = Callable[[str, int, int], None]


def ask_stand_in(
    captures: Sequence[Capture],
    facts: StandInFacts,
    *,
    threshold: float,
    folder: Path | None = None,
    progress: Progress = lambda step, done, total: None,
) -> list[Capture]:
    """The captures with what a stand-in built from the facts says of them, in notes and as alternatives.

    Only captures with a plan and its query are asked about. Where no stand-in can be built, their notes say why.
    """
    asked = [n for n, c in enumerate(captures) if c.explain is not None and c.query]
    out = list(captures)
    for number, capture in enumerate(out):
        if capture.explain is not None and not capture.query:
            out[number] = _noted(
                capture, "the stand-in was not asked: the plan came without its query, which --query gives"
            )
    if not asked:
        return out
    progress("building a stand-in", 0, len(asked) + 1)
    try:
        with stand_in(facts, folder) as there:
            for done, number in enumerate(asked, 1):
                progress("asking the stand-in", done, len(asked) + 1)
                out[number] = _asked(out[number], facts, there.planner, there.without, threshold)
    except RowreckonError as error:
        for number in asked:
            out[number] = _noted(captures[number], f"the stand-in was not asked: {error.sentence()}")
    return out


def _asked(
    capture: Capture, facts: StandInFacts, planner: Planner, without: Sequence[str], threshold: float
) -> Capture:
    assert capture.explain is not None
    assert capture.query is not None
    if capture.server_version is not None and capture.server_version // 10000 != facts.server.major:
        return _noted(
            capture,
            f"the stand-in was not asked: the plan is of PostgreSQL {capture.server_version // 10000}, the facts of"
            f" {facts.server.major}",
        )
    settings = planning_settings(facts.settings, capture.settings)
    role = capture.session.role if capture.session is not None else None
    try:
        planner, document = planned_for_its_role(planner, facts, capture.query, settings, _as_printed(capture), role)
    except RowreckonError as error:
        return _noted(capture, error.sentence(), *_lacks(without))
    differences = plan_differences(_as_printed(capture), document["Plan"])
    if differences:
        return _noted(capture, *_told(differences), *_lacks(without))
    joins = misestimated_joins(reckoned_of(capture), threshold=threshold)
    found = _rivals(capture.query, planner, settings, {join.method for join in joins})
    notes = (AGREES, *(() if planner.sees_everything else (LIMITED,)), *((RIVALS,) if found else ()))
    by_value = plans_by_value(capture.query, facts, planner, settings)
    told = {"alternatives": (*capture.alternatives, *found), "values": tuple(by_value.values)}
    return _noted(capture.model_copy(update=told), *notes, *some_notes(by_value.notes))


def _rivals(query: str, planner: Planner, settings: Mapping[str, str], methods: set[Any]) -> list[Alternative]:
    """The plans with the misestimated joins' methods switched off, as `planner_alternatives` asks a live server."""
    found: list[Alternative] = []
    for off in switch_sets(methods) if methods else ():
        try:
            document = planner.plan(query, {**settings, **dict.fromkeys(off, "off")})
            found.append(Alternative(switched_off=off, explain=parse_document(document)))
        except RowreckonError:
            continue
    return found


def _as_printed(capture: Capture) -> Mapping[str, Any]:
    """The captured plan under EXPLAIN's own keys."""
    assert capture.explain is not None
    plan: Mapping[str, Any] = capture.explain.plan.model_dump(by_alias=True, mode="json", exclude_unset=True)
    return plan


def _told(differences: Sequence[PlanDifference]) -> list[str]:
    shown = [
        f"the stand-in plans otherwise: {each.key} of node {each.node} is {each.stand_in}, at the source {each.source}"
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
