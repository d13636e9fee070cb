"""Asking a stand-in for which values of a query's literals and parameters which plan comes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from rowreckon.document.audit import PlanForValue
from rowreckon.errors import RowreckonError
from rowreckon.plural import counted
from rowreckon.sql.grammar import NotSql, parse
from rowreckon.stand_in.facts import StandInFacts
from rowreckon.stand_in.values.breaks import breaks_of
from rowreckon.stand_in.values.kinds import Kind, Value
from rowreckon.stand_in.values.mapping import MOST_ASKED, Answer, Asking, Known, map_equal, map_listed, map_ordered
from rowreckon.stand_in.values.places import (
    ALIKE,
    PATTERNS,
    Comparisons,
    Place,
    comparisons,
    patterns_beside,
    with_value,
)
from rowreckon.stand_in.values.shape import Shapes
from rowreckon.stand_in.values.spread import Spreads, held_equal
from rowreckon.stand_in.values.told import plans_for_values

from .filling import array_values
from .planning import Planner

if TYPE_CHECKING:
    from .planning import Explain

MOST_PLACES: Final = 6
"""Most places of one query that are asked about; no source."""
_MOST_PATTERNS: Final = 100
"""Most patterns that are asked about at one place; no source."""
MOST_PLANS: Final = 900
"""Most plans of one query that are asked for, at most `MOST_ASKED` at each place; no source."""


class ValuesFound:
    """For which values which plan comes, and notes that say where that could not be told."""

    def __init__(self) -> None:
        self.values: list[PlanForValue] = []
        self.notes: list[str] = []


def plans_by_value(query: str, facts: StandInFacts, planner: Planner, settings: Mapping[str, str]) -> ValuesFound:
    """The map of every place of the query at which a literal or a parameter stands against a column.

    One place is varied at a time, the others stay as they are. Never raises for the query: notes say what could not be
    asked.
    """
    found = ValuesFound()
    try:
        tree = parse(query)
        compared = comparisons(tree, facts)
    except NotSql:
        return found
    if compared.others:
        columns = _named(compared.others)
        found.notes.append(
            f"values in arrays, some patterns and other conditions were not varied, such as those of {columns}"
        )
    if not compared.places:
        return found
    if not facts.with_values:
        found.notes.append("for which values another plan comes can't be told: the facts were taken without values")
        return found
    with planner.under(settings) as explain:
        asking = _Query(tree, compared, facts, explain)
        try:
            own = asking.answer(tree)
        except RowreckonError:
            return found
        for place in compared.places[:MOST_PLACES]:
            asking.ask_at(place, own, found)
    left = len(compared.places) - MOST_PLACES
    if left > 0:
        found.notes.append(f"other values were asked about at {MOST_PLACES} places, and {counted(left, 'more')} not")
    return found


class _Query:
    """One query whose values are varied."""

    def __init__(self, tree: Any, compared: Comparisons, facts: StandInFacts, explain: Explain) -> None:
        self._tree = tree
        self._compared = compared
        self._facts = facts
        self._explain = explain
        self._left = MOST_PLANS
        self._shapes = Shapes(facts)
        self._spreads = Spreads(facts, array_values)

    def answer(self, tree: Any) -> Answer:
        """The plan of a tree. Raises StatementRefused and StatementFailed."""
        return self._shapes.answer(self._explain(tree)["Plan"])

    def ask_at(self, place: Place, own: Answer, found: ValuesFound) -> None:
        """Add the map of one place, or the note why there is none."""
        if place.kind is None:
            found.notes.append(f"values of {place.shown} were not varied: {_why_not(place)}")
            return
        if self._left <= 0:
            found.notes.append(
                f"values of {place.shown} were not varied: no more than {counted(MOST_PLANS, 'plan')} may be asked for"
            )
            return
        known, hashed = self._known(place, place.kind)
        if hashed:
            found.notes.append(f"values of {place.shown} were not varied: they choose a partition by a hash")
            return
        if place.operator not in ALIKE | PATTERNS and not place.kind.ordered:
            found.notes.append(f"values of {place.shown} were not varied: the order of its collation is not known here")
            return
        asking = Asking(lambda value: self._plan_with(place, value), min(MOST_ASKED, self._left))
        if place.operator in PATTERNS:
            patterns = _patterns(place, known)
            known, mapped = replace(known, own=None), map_listed(patterns, asking)
        elif place.operator in ALIKE:
            mapped = map_equal(known, asking)
        else:
            mapped = map_ordered(known, asking)
        self._left -= mapped.count
        if mapped.points or mapped.stretches or mapped.others is not None:
            found.values += plans_for_values(place, known, mapped, own)
        else:
            found.notes.append(f"values of {place.shown} were not varied: none could be planned")

    def _known(self, place: Place, kind: Kind) -> tuple[Known, bool]:
        keys = sorted(held_equal(place.column.key, self._compared.equal))
        relations = [relation for key in keys for relation in self._spreads.relations(key[0])]
        breaks = breaks_of(self._facts, keys, relations, kind)
        on_these = [p for p in self._compared.places if p.column.key in keys and p.operator not in PATTERNS]
        beside = [text for p in on_these for text in (p.given, *p.beside) if text is not None]
        named = [value for text in beside if (value := kind.read(text)) is not None]
        around = tuple(self._spreads.around(keys))
        own = self._spreads.of(place.column, kind)
        every = tuple(dict.fromkeys([*named, *breaks.values]))
        return Known(kind, own, around, every, bool(breaks.values)), breaks.hashed

    def _plan_with(self, place: Place, value: Value) -> Answer | None:
        try:
            return self.answer(with_value(self._tree, place, value))
        except RowreckonError:
            return None


def _patterns(place: Place, known: Known) -> list[Value]:
    """The place's own pattern, and the same for the beginnings of the column's common values and bounds."""
    texts = [value.text for value in (*known.common, *known.bounds)]
    return [Value(text, None) for text in patterns_beside(place.given or "", texts)[:_MOST_PATTERNS]]


def _named(names: Sequence[str], most: int = 3) -> str:
    """The first names, and how many more there are."""
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")


def _why_not(place: Place) -> str:
    if place.parameter is not None and len(place.paths) > 1:
        return "it stands against several columns"
    return "its column's type is none whose values can be put in order or listed"


def some_notes(notes: Sequence[str], most: int = 3) -> tuple[str, ...]:
    """The first notes, and how many more there are."""
    more = len(notes) - most
    return (*notes[:most], *([f"{counted(more, 'more place')} of the query could not be varied"] if more > 0 else []))
