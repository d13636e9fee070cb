"""When a prepared statement turns to its generic plan, and whether that suits its values, in words."""

from __future__ import annotations

from rowreckon.document.audit import GenericPlan, Plan
from rowreckon.plural import counted
from rowreckon.report.words.escape import quote
from rowreckon.report.words.numbers import cost, listed
from rowreckon.report.words.numbers import share as percent

_ALWAYS_CUSTOM = 5
"""Executions that get custom plans whatever these cost (choose_custom_plan in PostgreSQL's plancache.c)."""
_VALUES_SHOWN = 4
_VALUE = 40


def prepared_lines(plan: Plan) -> tuple[str, ...]:
    """A few sentences; none for a query without parameters, or where nothing could be told."""
    generic = plan.generic_plan
    if generic is None:
        return ()
    return (_turn(generic), _costs(generic), *_suits(generic))


def _turn(generic: GenericPlan) -> str:
    drawn = "with the given values" if generic.sequence == "given" else "with values drawn by their share of the rows"
    if generic.turns_at is None and generic.executions <= _ALWAYS_CUSTOM:
        return (
            f"The first five executions always get custom plans, and values are given for {generic.executions}."
            " Values for six or more would tell whether the statement turns to the generic plan."
        )
    if generic.turns_at is None:
        return f"The statement keeps custom plans for {counted(generic.executions, 'execution')} {drawn}."
    return f"The server takes the generic plan from execution {generic.turns_at} on, {drawn}."


def _costs(generic: GenericPlan) -> str:
    return (
        f"The generic plan costs {cost(generic.cost)}, custom plans {cost(generic.custom_cost)} on average,"
        " without planning."
    )


def _suits(generic: GenericPlan) -> tuple[str, ...]:
    """Whether it should turn."""
    if generic.same_plan_share == 1:
        return ("All custom plans are the generic one, so that it loses nothing by turning.",)
    same = percent(generic.same_plan_share, 1.0)
    said = (
        f"The generic plan is the custom one in {same} of the executions. For {_values_named(generic)}"
        f" another plan costs {cost(generic.values_cost)}."
    )
    if generic.turns_at is None:
        return (said,)
    return (
        said,
        "With plan_cache_mode = force_custom_plan each value keeps its own plan, at the price of planning every time.",
    )


def _values_named(generic: GenericPlan) -> str:
    named = ["null" if v is None else quote(v, _VALUE) for v in generic.values]
    return f"the value{'s' if len(named) > 1 else ''} {listed(named, _VALUES_SHOWN)}"
