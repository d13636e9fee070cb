"""What the plans of one database tell of single columns: how many different values, and that they lead no index."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from math import inf

from rowreckon.joins.learning.driving_loops import in_table
from rowreckon.joins.learning.group_counts import GroupEvidence
from rowreckon.joins.learning.index_searches import SearchEvidence
from rowreckon.joins.learning.plan_evidence import PlanTold
from rowreckon.joins.learning.unled_columns import unled_facts
from rowreckon.joins.ways.unseen_index import dearest_search
from rowreckon.learned.facts import (
    ANY,
    Bounds,
    ColumnName,
    DistinctFact,
    IndexFact,
    RelationName,
    SizeFact,
    UnledFact,
)

_Sizes = Mapping[RelationName, SizeFact]


def distinct_values(
    told: Sequence[PlanTold], sizes: _Sizes, indexes: Mapping[RelationName, tuple[IndexFact, ...]]
) -> dict[ColumnName, DistinctFact]:
    """The different values of columns of these relations; nothing of one on which the plans do not agree."""
    evidence = [group for each in told for group in each.groups if group.column.relation in sizes]
    evidence += [*_hashed(told, sizes), *_driving(told, sizes), *_searched(indexes, sizes)]
    found: dict[ColumnName, DistinctFact] = {}
    for one in sorted(evidence, key=lambda each: (each.column, each.values, each.source.order)):
        known = found.get(one.column, DistinctFact(ANY, ()))
        values = known.values.meet(one.values)
        sources = known.sources if values == known.values else (*known.sources, one.source)
        found[one.column] = DistinctFact(values, sources)
    return {column: fact for column, fact in found.items() if not fact.values.empty}


def _hashed(told: Sequence[PlanTold], sizes: _Sizes) -> Iterator[GroupEvidence]:
    """At least so many as the rows of a hash bucket leave."""
    for each in told:
        for one in each.hashed:
            rows = _rows(sizes, one.column)
            if rows is not None:
                yield GroupEvidence(one.column, Bounds(max(rows / one.per_value, 1.0), inf), one.source)


def _driving(told: Sequence[PlanTold], sizes: _Sizes) -> Iterator[GroupEvidence]:
    """As many as the loops that a column drives leave, by the rows of its table."""
    for each in told:
        for one in each.driving:
            rows = _rows(sizes, one.column)
            if rows is not None and rows >= one.rows:
                yield GroupEvidence(one.column, in_table(one.values, one.rows, rows), one.source)


def _searched(indexes: Mapping[RelationName, tuple[IndexFact, ...]], sizes: _Sizes) -> Iterator[GroupEvidence]:
    """As many as a search of an index by the column alone leaves, by the rows that it finds."""
    for relation, facts in indexes.items():
        for index in facts:
            column = ColumnName(relation, next(iter(index.keys)))
            rows = _rows(sizes, column)
            if len(index.keys) == 1 and rows is not None and index.per_key.low >= 1.0:
                few, many = max(index.per_key.low - 0.5, 1.0), max(index.per_key.high + 0.5, 1.0)
                values = Bounds(rows, rows) if index.unique else Bounds(max(rows / many, 1.0), rows / few)
                yield GroupEvidence(column, values, index.sources[0])


def unled_columns(
    told: Sequence[PlanTold], sizes: _Sizes, distinct: Mapping[ColumnName, DistinctFact]
) -> dict[ColumnName, tuple[UnledFact, ...]]:
    """The columns of these relations that lead no index."""

    def per_value(column: ColumnName) -> float:
        rows, fact = _rows(sizes, column), distinct.get(column)
        return rows / fact.values.low if rows is not None and fact is not None and fact.values.low >= 1.0 else inf

    searches = [s for each in told for s in each.searches if s.relation in sizes]
    led = frozenset(ColumnName(s.relation, c) for s in searches for c in s.keys if _may_lead(s, c, per_value))
    return unled_facts((u for each in told for u in each.unled if u.column.relation in sizes), led, per_value)


def _may_lead(search: SearchEvidence, column: str, per_value: Callable[[ColumnName], float]) -> bool:
    """Whether a search of an index by a column may have gone straight to its rows: one that costs more went through
    the entries of another column."""
    most = dearest_search(search.settings, per_value(ColumnName(search.relation, column)))
    return not search.readings or min(charged.least for charged in search.readings) <= most


def _rows(sizes: _Sizes, column: ColumnName) -> float | None:
    """The rows of a column's relation, None where they are not known."""
    fact = sizes.get(column.relation)
    rows = fact.size.settled().rows if fact is not None else ANY
    return rows.low if rows.exact and rows.low >= 1.0 else None
