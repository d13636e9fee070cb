"""When a prepared statement turns to its generic plan, and whether that suits its values: asked of a stand-in.

The stand-in's server is given the executions one after the other, and plans each as the source would. Nothing is
executed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from rowreckon.document.audit import GenericPlan
from rowreckon.errors import RowreckonError
from rowreckon.frozen import frozen
from rowreckon.sql.grammar import NotSql, parse
from rowreckon.sql.tree import every_message, kind_of
from rowreckon.stand_in.facts import StandInFacts
from rowreckon.stand_in.values.mapping import Answer
from rowreckon.stand_in.values.places import comparisons
from rowreckon.stand_in.values.sequence import MOST_PARAMETERS, by_share
from rowreckon.stand_in.values.shape import Shapes
from rowreckon.stand_in.values.spread import Spread, Spreads

from .filling import array_values
from .planning import Planner
from .prepared import Prepared

MOST_EXECUTIONS: Final = 200
"""Most executions of a given sequence that are planned, three plans each; no source."""
Executions = Sequence[tuple[str | None, ...]]


@frozen
class _Execution:
    """One execution: its values, the plan made for them, and whether the server took the generic one instead."""

    values: tuple[str | None, ...]
    custom: Answer
    generic: Answer
    takes_generic: bool


def generic_plan(
    query: str, facts: StandInFacts, planner: Planner, settings: Mapping[str, str], given: Executions = ()
) -> tuple[GenericPlan | None, tuple[str, ...]]:
    """What becomes of the statement when it is prepared, and notes that say why that can't be told.

    `given` are the values of its executions in their order; without any they are drawn by their share of the rows.
    None without a note for a query that has no parameters.
    """
    try:
        tree = parse(query)
    except NotSql:
        return None, ()
    numbers = {message.number for message in every_message(tree) if kind_of(message) == "ParamRef"}
    if not numbers:
        return None, ()
    sequence = list(given[:MOST_EXECUTIONS])
    if not sequence:
        spreads = _spreads(tree, facts, numbers)
        if isinstance(spreads, str):
            return None, (f"when the statement turns generic can't be told: {spreads}",)
        sequence = by_share(spreads)
    try:
        with planner.prepared(query, settings) as prepared:
            done = _planned(prepared, Shapes(facts), sequence)
    except RowreckonError as error:
        return None, (error.sentence(),)
    return _told(done, is_given=bool(given)), ()


def _spreads(tree: Any, facts: StandInFacts, numbers: set[int]) -> list[Spread] | str:
    """The spread of the column that each parameter stands against, or why there is none."""
    if not facts.with_values:
        return "the facts were taken without values"
    if numbers != set(range(1, len(numbers) + 1)) or len(numbers) > MOST_PARAMETERS:
        return f"its parameters are not $1 to ${len(numbers)}, or more than {MOST_PARAMETERS}"
    against = {place.parameter: place for place in comparisons(tree, facts).places if place.parameter}
    spreads = Spreads(facts, array_values)
    found: list[Spread] = []
    for number in sorted(numbers):
        place = against.get(number)
        spread = spreads.of(place.column, place.kind) if place is not None and place.kind is not None else None
        if spread is None:
            return f"${number} stands against no column with statistics of numbers, texts, times, enums or booleans"
        found.append(spread)
    return found


def _planned(prepared: Prepared, shapes: Shapes, sequence: Executions) -> list[_Execution]:
    """Each execution; once the server takes the generic plan it keeps it, since it makes no custom one any more."""
    done: list[_Execution] = []
    turned = False
    for values in sequence:
        turned = turned or prepared.next_plan(values)[1]
        custom, generic = prepared.custom_plan(values), prepared.generic_plan(values)
        done.append(_Execution(values, shapes.answer(custom), shapes.answer(generic), turned))
    return done


def _told(done: Sequence[_Execution], *, is_given: bool) -> GenericPlan:
    generic = done[0].generic
    others = [each for each in done if each.custom.shape != each.generic.shape]
    worst = min(others, key=lambda each: each.custom.cost - each.generic.cost, default=None)
    return GenericPlan(
        sequence="given" if is_given else "by_share",
        executions=len(done),
        turns_at=next((n for n, each in enumerate(done, 1) if each.takes_generic), None),
        cost=generic.cost,
        custom_cost=sum(each.custom.cost for each in done) / len(done),
        same_plan_share=1 - len(others) / len(done),
        values=worst.values if worst is not None else (),
        values_cost=worst.custom.cost if worst is not None else None,
        plan=generic.shape,
        tables=generic.tables,
        index=generic.indexes,
        asked_of="stand_in",
    )
