"""Which facts of a database a query's plan may hang on, and how far one may move before an answer is another.

A fact is moved alone, further and further from what it is, until the answer turns; then the border is halved.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import Any, Final, Literal

from rowreckon.frozen import frozen

from .facts import SourceRelation, StandInFacts
from .values.places import comparisons

STEPS: Final = (1.3, 3.0, 10.0, 100.0)
"""By what factors a fact is moved, either way (common practice, no source)."""
_CLOSE: Final = 1.05
"""Within which factor a border is found; no source."""


@frozen
class Movable:
    """A fact that can be moved, in `words`: a table's rows, how many values a column has, or how many rows have the
    value (`text`) that the query names. `number` is the column's."""

    kind: Literal["rows", "distinct", "common"]
    words: str
    relation: SourceRelation
    number: int = 0
    text: str | None = None


def movable_facts(tree: Any, facts: StandInFacts, read: Iterable[str]) -> list[Movable]:
    """The facts that a query's plan may hang on: sizes of the tables that it reads (by name), then what its conditions
    compare."""
    named = frozenset(read)
    parents = {parent for relation in facts.relations for parent in relation.parents}
    found = [
        Movable("rows", f"rows of {r.name}", r)
        for r in facts.relations
        if r.name in named and r.kind in ("r", "m") and r.pages and r.reltuples > 0 and r.oid not in parents
    ]
    compared = comparisons(tree, facts)
    for place in compared.places:
        if place.operator == "=" and place.given is not None:
            turn = f" ({place.turn})" if place.turn > 1 else ""
            words = f"rows of {place.column.relation.name} with the query's {place.column.column.name}{turn}"
            found.append(Movable("common", words, place.column.relation, place.column.column.number, place.given))
    relations = {r.oid: r for r in facts.relations}
    names = {(c.relation, c.number): c.name for c in facts.columns}
    keys = dict.fromkeys([key for pair in compared.equal for key in pair])
    for key in (*keys, *(place.column.key for place in compared.places if place.operator == "=")):
        relation = relations[key[0]]
        found.append(Movable("distinct", f"distinct values of {relation.name}.{names[key]}", relation, key[1]))
    return list(dict.fromkeys(found))


@frozen
class Range:
    """A number with the least and the most that it can be."""

    value: float
    least: float
    most: float


def stays_within(fact: Range, stays: Callable[[float], bool]) -> tuple[float | None, float | None]:
    """The numbers furthest below and above with which the answer `stays`; None where it does as far as was moved."""
    return _furthest(fact, stays, up=False), _furthest(fact, stays, up=True)


def _furthest(fact: Range, stays: Callable[[float], bool], *, up: bool) -> float | None:
    kept = fact.value
    for step in STEPS:
        moved = fact.value * step if up else fact.value / step
        moved = min(max(float(round(moved)), fact.least), fact.most)
        if moved == kept or (moved > kept) != up:
            continue
        if not stays(moved):
            return _border(kept, moved, stays)
        kept = moved
    return None


def _border(kept: float, turned: float, stays: Callable[[float], bool]) -> float:
    """The last whole number that was seen to stay between one that does and one that does not."""
    while max(kept, turned) > _CLOSE * max(min(kept, turned), 0.5) and abs(turned - kept) > 1:
        middle = float(round(math.sqrt(kept * turned)))
        if middle in (kept, turned):
            break
        if stays(middle):
            kept = middle
        else:
            turned = middle
    return kept


def nearness(value: float, low: float | None, high: float | None) -> float:
    """The smaller of the factors by which a fact may move before the answer turns; infinite where it does not."""
    factors = [value / max(low, 0.5)] if low is not None else []
    factors += [high / max(value, 0.5)] if high is not None else []
    return min(factors, default=math.inf)
