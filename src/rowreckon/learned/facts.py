"""The shape: facts of a relation by name, each as bounds with its sources.

A fact is what the planner reckoned with, not what a count would give today: its pages are those of the file when it
planned, its rows those that it took the file to hold.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import field
from math import inf
from types import MappingProxyType
from typing import NamedTuple

from rowreckon.frozen import frozen

_TEMPORARY = "pg_temp"
_ALIKE = 1.01
"""How many times larger a size may be than another that costs the same to the planner (STD_FUZZ_FACTOR)."""


class RelationName(NamedTuple):
    """A relation's name with its schema: without one, relations of several plans are never taken for the same."""

    schema: str
    name: str

    def __str__(self) -> str:
        return f"{self.schema}.{self.name}"


def relation_name(schema: str | None, name: str | None) -> RelationName | None:
    """The name of a relation that other plans may mean as well; None without a schema, and of temporary tables."""
    if not schema or not name or schema.startswith(_TEMPORARY):
        return None
    return RelationName(schema, name)


class Source(NamedTuple):
    """Where a fact is from: the plan or file, what of it tells, and when that was true (None: not told)."""

    plan: str
    what: str
    seen_at: str | None = None

    @property
    def order(self) -> tuple[str, str, str]:
        """What sources are sorted by; one that does not tell when comes first."""
        return self.plan, self.what, self.seen_at or ""

    def __str__(self) -> str:
        return f"{self.what} in {self.plan}"


class Bounds(NamedTuple):
    """Between which numbers a fact lies, both included; `high` may be infinite."""

    low: float = 0.0
    high: float = inf

    @property
    def exact(self) -> bool:
        """Whether one number alone is left."""
        return self.low == self.high

    @property
    def empty(self) -> bool:
        """Whether no number is left, as two sources contradict each other."""
        return self.low > self.high

    def meet(self, other: Bounds) -> Bounds:
        """What both leave."""
        return Bounds(max(self.low, other.low), min(self.high, other.high))


ANY = Bounds()


class Size(NamedTuple):
    """Pages and rows of a relation."""

    pages: Bounds = ANY
    rows: Bounds = ANY

    @property
    def exact(self) -> bool:
        """Whether both are known to the page and to the row."""
        return self.pages.exact and self.rows.exact

    def settled(self) -> Size:
        """With one number in the middle for bounds that lie so close that no verdict could tell them apart."""
        return Size(_settled(self.pages), _settled(self.rows))


def _settled(bounds: Bounds) -> Bounds:
    if bounds.low <= 0.0 or bounds.high > _ALIKE * bounds.low:
        return bounds
    middle = float(round((bounds.low + bounds.high) / 2.0))
    return Bounds(middle, middle)


class SizeFact(NamedTuple):
    """The size of a relation, and what tells it."""

    size: Size
    sources: tuple[Source, ...]


class IndexFact(NamedTuple):
    """An index that another plan searched: its name, the columns whose values led to the rows, and what that tells.

    `per_key` rows share one value of `keys` (the planner's average), exactly one where it is `unique`. `levels` stand
    below the root. `order` is how much of the index's order the table keeps: the squared correlation. `covers` are
    columns that it holds, `lacks` sets of columns of which it does not hold all.
    """

    name: str
    keys: frozenset[str]
    unique: bool
    per_key: Bounds
    pages: Bounds
    levels: Bounds
    order: Bounds
    covers: frozenset[str]
    lacks: frozenset[frozenset[str]]
    sources: tuple[Source, ...]

    def holds(self, needed: frozenset[str] | None) -> bool | None:
        """Whether it holds all these columns (None: those that are needed are not known), None where nobody tells."""
        if needed is not None and needed <= self.covers:
            return True
        return False if needed is not None and any(lacking <= needed for lacking in self.lacks) else None


class ColumnName(NamedTuple):
    """A column of a relation."""

    relation: RelationName
    column: str

    def __str__(self) -> str:
        return f"{self.relation}.{self.column}"


class DistinctFact(NamedTuple):
    """How many different values a column has by its statistics, and what tells it."""

    values: Bounds
    sources: tuple[Source, ...]


class UnledFact(NamedTuple):
    """A column that leads no index of its whole table, and what tells it.

    An index with a predicate may serve a query that asks more of the table than `conditions`; one that another column
    leads is gone down at least so many times for each search.
    """

    conditions: frozenset[str]
    descents: float
    source: Source


@frozen
class LearnedFacts:
    """What other plans tell of the relations of one plan; `contradicted` are relations of which they tell nothing, as
    they do not agree with one another, and `left_out` plans contradict this one."""

    sizes: Mapping[RelationName, SizeFact] = field(default_factory=lambda: MappingProxyType({}))
    contradicted: frozenset[RelationName] = frozenset()
    left_out: int = 0
    indexes: Mapping[RelationName, tuple[IndexFact, ...]] = field(default_factory=lambda: MappingProxyType({}))
    distinct: Mapping[ColumnName, DistinctFact] = field(default_factory=lambda: MappingProxyType({}))
    unled: Mapping[ColumnName, tuple[UnledFact, ...]] = field(default_factory=lambda: MappingProxyType({}))

    def size(self, schema: str | None, name: str | None) -> SizeFact | None:
        """The size of a relation, None where nothing is learned of it."""
        known = relation_name(schema, name)
        return self.sizes.get(known) if known is not None else None

    def indexes_on(self, schema: str | None, name: str | None) -> tuple[IndexFact, ...]:
        """The indexes of a relation that are learned; that others are absent only `unled` columns prove."""
        known = relation_name(schema, name)
        return self.indexes.get(known, ()) if known is not None else ()


NOTHING_LEARNED = LearnedFacts()
