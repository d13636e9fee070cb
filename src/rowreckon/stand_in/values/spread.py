"""How a column's values are spread over its rows, by its statistics: which are common, and what lies below a value.

Source: the PostgreSQL manual, "pg_stats" (null_frac, most_common_freqs, histogram_bounds), "Row Estimation Examples".
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any

from rowreckon.frozen import frozen
from rowreckon.stand_in.facts import SourceColumn, StandInFacts
from rowreckon.stand_in.figures import Figures

from .columns import Column
from .kinds import At, Kind, Value, kind_of_column

Elements = Callable[[str], Sequence[str | None]]
"""Takes an array's text apart."""


@frozen
class Spread:
    """Of a table's rows: the share with no value, the common values with their shares, the bounds of equal parts of the
    rest in their order."""

    nulls: float
    common: tuple[tuple[Value, float], ...]
    bounds: tuple[Value, ...]

    @property
    def rest(self) -> float:
        """The share of the rows whose value is none of the common ones."""
        return min(1.0, max(0.0, 1.0 - self.nulls - sum(share for _, share in self.common)))

    def up_to(self, place: At) -> float:
        """The share of the rows whose value is at most that of a place."""
        upto: Any = place
        common = [share for value, share in self.common if value.at is not None and value.at <= upto]
        return sum(common) + self.rest * self._part(place)

    def _part(self, place: At) -> float:
        """How much of the rest lies at or below a place."""
        places: list[Any] = [value.at for value in self.bounds if value.at is not None]
        if len(places) < 2:
            return 1.0 if places and places[0] <= place else 0.0
        after = bisect_right(places, place)
        if after in (0, len(places)):
            return 0.0 if after == 0 else 1.0
        low, high = places[after - 1], places[after]
        inside = 0.0 if isinstance(place, bytes) else float(Decimal(place - low) / Decimal(high - low))
        return (after - 1 + inside) / (len(places) - 1)


def spread_of(figures: Figures, kind: Kind, elements: Elements) -> Spread:
    """The spread that a row of statistics tells; values that can't be read are left out."""
    texts = elements(figures.common) if figures.common is not None else ()
    shares = figures.common_freqs or ()
    common = [(kind.read(t), share) for t, share in zip(texts, shares, strict=False) if t is not None]
    bounds = [kind.read(t) for t in (elements(figures.bounds) if figures.bounds is not None else ()) if t is not None]
    return Spread(
        figures.null_frac,
        tuple((value, share) for value, share in common if value is not None),
        tuple(value for value in bounds if value is not None),
    )


class Spreads:
    """The spreads of columns, and of all that is beneath a table and beside it by equality."""

    def __init__(self, facts: StandInFacts, elements: Elements) -> None:
        self._facts = facts
        self._elements = elements
        self._figures: dict[tuple[int, int], list[Figures]] = {}
        for each in facts.statistics:
            self._figures.setdefault((each.relation, each.number), []).append(each)
        self._below: dict[int, list[int]] = {}
        for relation in facts.relations:
            for parent in relation.parents:
                self._below.setdefault(parent, []).append(relation.oid)
        self._columns = {(c.relation, c.number): c for c in facts.columns}
        self._numbers = {(c.relation, c.name): c.number for c in facts.columns if not c.dropped}
        self._kinds: dict[tuple[object, object], Kind | None] = {}

    def of(self, column: Column, kind: Kind) -> Spread | None:
        """That of the column's whole table, those beneath it included where there are any."""
        found = self._figures.get(column.key, [])
        whole = [f for f in found if f.inherited] if column.relation.oid in self._below else []
        chosen = next(iter(whole or [f for f in found if not f.inherited]), None)
        return spread_of(chosen, kind, self._elements) if chosen is not None else None

    def around(self, keys: Iterable[tuple[int, int]]) -> list[Spread]:
        """The spreads of these columns and of the same ones beneath their tables: all that the planner may look at."""
        found: list[Spread] = []
        for key in dict.fromkeys(key for given in keys for key in self._with_those_below(given)):
            column = self._columns.get(key)
            kind = self._kind(column) if column is not None else None
            if kind is not None:
                found += [spread_of(f, kind, self._elements) for f in self._figures.get(key, ())]
        return found

    def _kind(self, column: SourceColumn) -> Kind | None:
        """That of a column, found once for all of its type: each of a thousand partitions has it."""
        key = column.type, column.collation
        if key not in self._kinds:
            self._kinds[key] = kind_of_column(column, self._facts)
        return self._kinds[key]

    def relations(self, relation: int) -> list[int]:
        """A table and all beneath it, by OID."""
        found = {relation: None}
        waiting = [relation]
        while waiting:
            new = [below for below in self._below.get(waiting.pop(), ()) if below not in found]
            found.update(dict.fromkeys(new))
            waiting += new
        return list(found)

    def _with_those_below(self, key: tuple[int, int]) -> list[tuple[int, int]]:
        column = self._columns.get(key)
        if column is None:
            return []
        numbered = ((r, self._numbers.get((r, column.name))) for r in self.relations(key[0]))
        return [(relation, number) for relation, number in numbered if number is not None]


def held_equal(
    key: tuple[int, int], pairs: Iterable[tuple[tuple[int, int], tuple[int, int]]]
) -> frozenset[tuple[int, int]]:
    """A column with all that a query holds equal to it: a value of one is then a value of each."""
    beside: dict[tuple[int, int], set[tuple[int, int]]] = {}
    for left, right in pairs:
        beside.setdefault(left, set()).add(right)
        beside.setdefault(right, set()).add(left)
    found, waiting = {key}, [key]
    while waiting:
        new = beside.get(waiting.pop(), set()) - found
        found |= new
        waiting += new
    return frozenset(found)


def shares_of(spread: Spread) -> Mapping[str, float]:
    """The common values' shares by their texts."""
    return {value.text: share for value, share in spread.common}
