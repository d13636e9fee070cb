"""How far a learned fact may move before a verdict turns: a relation's size, a column's values, an index.

The verdict is worked out anew at facts further and further from what was learned, pages and rows moved together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial

from rowreckon.counts.reckon import ReckonedTree
from rowreckon.document.audit import FactLimit, Verdict
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.learned.facts import (
    Bounds,
    ColumnName,
    IndexFact,
    LearnedFacts,
    RelationName,
    Size,
    Source,
    relation_name,
)
from rowreckon.plan.nodes import ScanNode

_STEPS = (1.3, 3.0, 10.0)
_RESPECTS = {"pages": "pages of the index on {}", "per_key": "rows of one value of the index on {}"}
"""What of an index is moved, and how that is called."""
_VALUE_STEPS = (*_STEPS, 100.0)
"""By what factors a fact is moved, either way (common practice, no source)."""


def turning(
    learned: LearnedFacts,
    reckoned: ReckonedTree,
    facts: JoinFacts,
    verdict: Verdict,
    verdict_with: Callable[[LearnedFacts], Verdict],
) -> tuple[FactLimit, ...]:
    """For each learned size of the join's relations the rows between which the verdict was found to stay, and the
    different values of its columns, the pages of its indexes and the rows that these find, where it turns with them; an
    end is open where it stays as far as was tried. `verdict_with` judges the join with other facts."""
    found: list[FactLimit] = []

    def tried(
        fact: str,
        value: float,
        sources: tuple[Source, ...],
        moved: Callable[[float], LearnedFacts],
        steps: Sequence[float] = _STEPS,
    ) -> FactLimit:
        def verdict_at(other: float) -> Verdict:
            return verdict_with(moved(other))

        low, high = (_stays(value, verdict, verdict_at, [s if up else 1.0 / s for s in steps]) for up in (False, True))
        source = str(sources[0]) if sources else None
        return FactLimit(fact=fact, value=value, from_=low, to=high, source=source)

    for relation in _relations(learned, reckoned, facts):
        size = learned.sizes[relation]
        rows = size.size.settled().rows.low
        found.append(tried(f"rows of {relation}", rows, size.sources, partial(_with_rows, learned, relation)))
    for column in _columns(learned, reckoned, facts):
        values = learned.distinct[column]
        moved = partial(_with_values, learned, column)
        limit = tried(f"distinct values of {column}", values.values.low, values.sources, moved, _VALUE_STEPS)
        if (limit.from_, limit.to) != (None, None):  # of most columns it does not matter
            found.append(limit)
    for relation, index in _indexes(learned, reckoned, facts):
        led = " and ".join(str(ColumnName(relation, column)) for column in sorted(index.keys))
        for respect, words in _RESPECTS.items():
            bounds = index.pages if respect == "pages" else index.per_key
            if index.unique and respect == "per_key":
                continue
            value = float(round((max(bounds.low, 1.0) * max(bounds.high, 1.0)) ** 0.5))
            limit = tried(
                words.format(led), value, index.sources, partial(_with_index, learned, relation, index, respect)
            )
            if (limit.from_, limit.to) != (None, None):
                found.append(limit)
    return tuple(found)


def _indexes(
    learned: LearnedFacts, reckoned: ReckonedTree, facts: JoinFacts
) -> Iterator[tuple[RelationName, IndexFact]]:
    """The indexes on just the columns that the join compares of which other plans tell."""
    columns = _columns_compared(reckoned, facts)
    for relation in _relations(learned, reckoned, facts):
        wanted = frozenset(column.column for column in columns if column.relation == relation)
        for index in learned.indexes.get(relation, ()):
            if index.keys == wanted:
                yield relation, index


def _with_index(
    learned: LearnedFacts, relation: RelationName, index: IndexFact, respect: str, value: float
) -> LearnedFacts:
    """The facts with `value` as the pages of an index, or as the rows that share a key of it."""
    bounds = Bounds(value, value)
    moved = index._replace(pages=bounds) if respect == "pages" else index._replace(per_key=bounds)
    others = tuple(moved if each is index else each for each in learned.indexes[relation])
    return replace(learned, indexes={**learned.indexes, relation: others})


def _columns(learned: LearnedFacts, reckoned: ReckonedTree, facts: JoinFacts) -> list[ColumnName]:
    """The columns that the join compares of which other plans tell how many different values they have."""
    return [column for column in _columns_compared(reckoned, facts) if column in learned.distinct]


def _columns_compared(reckoned: ReckonedTree, facts: JoinFacts) -> list[ColumnName]:
    found: dict[ColumnName, None] = {}
    for side in (facts.outer, facts.inner):
        node = reckoned.tree.nodes[side.scan] if side.scan is not None else None
        relation = relation_name(node.schema_name, node.relation_name) if isinstance(node, ScanNode) else None
        for clause in facts.clauses:
            column = clause.outer_column if side is facts.outer else clause.inner_column
            named = ColumnName(relation, column.column) if relation is not None and column is not None else None
            if named is not None:
                found[named] = None
    return list(found)


def _relations(learned: LearnedFacts, reckoned: ReckonedTree, facts: JoinFacts) -> list[RelationName]:
    found: list[RelationName] = []
    for number in (facts.outer.scan, facts.inner.scan):
        node = reckoned.tree.nodes[number] if number is not None else None
        name = relation_name(node.schema_name, node.relation_name) if isinstance(node, ScanNode) else None
        fact = learned.sizes.get(name) if name is not None else None
        if name is not None and name not in found and fact is not None and fact.size.settled().exact:
            found.append(name)
    return found


def _with_rows(learned: LearnedFacts, relation: RelationName, rows: float) -> LearnedFacts:
    """The facts with `rows` in a relation, whose pages grow or shrink with them."""
    fact = learned.sizes[relation]
    size = fact.size.settled()
    pages = max(float(round(size.pages.low * rows / size.rows.low)), 1.0)
    away = Size(Bounds(pages, pages), Bounds(rows, rows))
    return replace(learned, sizes={**learned.sizes, relation: fact._replace(size=away)})


def _with_values(learned: LearnedFacts, column: ColumnName, values: float) -> LearnedFacts:
    """The facts with `values` different ones of a column, at least where that is all that is told."""
    fact = learned.distinct[column]
    high = values if fact.values.exact else max(fact.values.high, values)
    return replace(learned, distinct={**learned.distinct, column: fact._replace(values=Bounds(values, high))})


def _stays(
    value: float, verdict: Verdict, verdict_at: Callable[[float], Verdict], factors: Sequence[float]
) -> float | None:
    """The value furthest from what was learned at which the verdict stays; None where it does as far as is tried."""
    kept = value
    for factor in factors:
        moved = max(float(round(value * factor)), 1.0)
        if verdict_at(moved) != verdict:
            return kept
        kept = moved
    return None
