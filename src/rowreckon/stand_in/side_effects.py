"""From plans without and with a remedy to what is told of it: which queries get another plan, at which cost."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rowreckon.document.audit import Foretold, ForetoldQuery, Remedy, SideEffect
from rowreckon.frozen import frozen
from rowreckon.plan.same import as_run

BASIS = "planned on a stand-in"


@frozen
class Planned:
    """A query of the list: its number in the audit, None where no plan was captured of it, and the plan's root.

    `plan` is None where it could not be planned, or not as the source did; `reason` then says why.
    """

    name: str
    number: int | None
    plan: Mapping[str, Any] | None
    reason: str | None = None


def foretold(
    remedy: Remedy, before: Sequence[Planned], after: Sequence[Planned], index_kb: float | None = None
) -> Foretold:
    """What the remedy does to the queries, which stand in both lists in the same order."""
    meant = {reference.plan for reference in remedy.findings}
    told = [_query(one, other) for one, other in zip(before, after, strict=True)]
    return Foretold(
        planned=sum(each.change != "unknown" for each in told),
        changed=sum(each.change == "plan_changed" for each in told),
        queries=tuple(each for each in told if each.change != "plan_same" or each.plan in meant),
        index_kb=index_kb,
    )


def _query(before: Planned, after: Planned) -> ForetoldQuery:
    if before.plan is None or after.plan is None:
        reason = before.reason or after.reason
        return ForetoldQuery(query=before.name, plan=before.number, change="unknown", reason=reason)
    same = as_run(before.plan) == as_run(after.plan)
    return ForetoldQuery(
        query=before.name,
        plan=before.number,
        change="plan_same" if same else "plan_changed",
        cost_before=_cost(before.plan),
        cost_after=_cost(after.plan),
    )


def _cost(plan: Mapping[str, Any]) -> float | None:
    cost = plan.get("Total Cost")
    return float(cost) if isinstance(cost, int | float) else None


def with_foretold(remedy: Remedy, told: Foretold, planned: Sequence[Planned]) -> Remedy:
    """The remedy with what was told of it, its side effects in the same words; `planned` are all queries asked about.

    What a trial has measured of a query stays.
    """
    if told.reason is not None:
        return remedy.model_copy(update={"foretold": told})
    named = {each.query: each for each in told.queries}
    known = {each.name for each in planned if each.plan is not None} - {
        each.query for each in told.queries if each.change == "unknown"
    }
    meant = {reference.plan for reference in remedy.findings}
    effects = [_effect(effect, named, known) for effect in remedy.side_effects]
    listed = {effect.query for effect in effects}
    effects += [
        SideEffect(query=each.query, change="plan_changed", basis=BASIS)
        for each in told.queries
        if each.change == "plan_changed" and each.plan not in meant and each.query not in listed
    ]
    return remedy.model_copy(update={"foretold": told, "side_effects": tuple(effects)})


def _effect(effect: SideEffect, named: Mapping[str, ForetoldQuery], known: set[str]) -> SideEffect:
    if effect.query not in known or effect.time != "not_measured" or effect.before_ms is not None:
        return effect
    change = named[effect.query].change if effect.query in named else "plan_same"
    return effect.model_copy(update={"change": change, "basis": BASIS})
