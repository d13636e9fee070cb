"""Which index would serve a join best: its key columns in order, what it includes, and the rows that it covers.

Key columns: those of the join's equalities first, which any other join on the same key can use, then the columns that
the filter compares for equality, then one that it compares by range: behind a range no further column narrows the
part of a B-tree that is read. Of two designs the simpler is taken unless the other is clearly cheaper.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rowreckon.causes.clause_kinds import compared_column, kind_of
from rowreckon.frozen import frozen
from rowreckon.joins.ways.index_match import index_to_build
from rowreckon.sql.questions import depends_on_session
from rowreckon.sql.spelling import without_alias

if TYPE_CHECKING:
    from rowreckon.causes.index_prices import SidePrices
    from rowreckon.joins.facts.known_relation import KnownIndex, KnownRelation, Restriction

_CLEARLY_CHEAPER = 1.2
"""What a wider, longer or partial index has to bring over the simpler one, as a factor of the whole join's modelled
cost: every column makes the index larger and bars HOT updates of one more column (common practice, no source)."""

_COVERING = 1.5
"""The same for included columns, which are copies of data for the sake of few queries."""

_HARDLY = 0.9
"""The share of rows from which on a condition that lets them pass is no use in an index."""

_SELDOM = 0.5
"""A predicate has to leave out at least half of the rows (common practice, no source)."""

_COPY = 0.5
"""An index with so large a part of the table's pages is a second copy of it (common practice, no source)."""

_MOST_KEYS = 6
_MOST_INCLUDED = 4
_RANGES = frozenset({"<", "<=", ">", ">=", "= ANY"})
_PREDICATES = frozenset({"flag", "null_test", "pattern"})


@frozen
class IndexDesign:
    """An index to build, priced: planner cost of the whole join at the actual rows and at the planner's estimates."""

    columns: tuple[str, ...]
    included: tuple[str, ...]
    predicate: str | None
    cost: float
    cost_at_estimate: float
    pages: float


@frozen
class _Shape:
    keys: tuple[str, ...]
    included: tuple[str, ...] = ()
    predicate: tuple[Restriction, ...] = ()


def best_design(side: SidePrices, *, parameters: bool) -> IndexDesign | None:
    """The design that the model prefers for one side of a join; None where it has no plain column in an equality.

    `parameters` says that a generic plan's values stand in the conditions: then no index is made partial.
    """
    held: tuple[_Shape, float] | None = None
    for shape in _shapes(side, parameters=parameters):
        cost = side.cost(_index(side.relation, shape))
        if cost is not None and (held is None or cost * _CLEARLY_CHEAPER < held[1]):
            held = shape, cost
    if held is None:
        return None
    for included in _included(side.relation, held[0]):
        wider = _Shape(held[0].keys, included)
        index = _index(side.relation, wider)
        if index.shape.pages > _COPY * side.relation.size.pages:
            continue
        cost = side.cost(index)
        if cost is not None and cost * _COVERING < held[1]:
            held = wider, cost
    return _design(side, *held)


def _shapes(side: SidePrices, *, parameters: bool) -> Iterator[_Shape]:
    """Key columns and predicates, the simplest first."""
    relation = side.relation
    joined = [c for c in side.order.clauses if c.inner.column is not None]
    keys = tuple(dict.fromkeys(c.inner.column for c in joined if c.operator == "=" and c.inner.column))
    if not keys:
        return
    narrowing = [r for r in relation.restrictions if r.selectivity is not None and r.selectivity < _HARDLY]
    seldom = [r for r in narrowing if (r.selectivity or 0.0) <= _SELDOM]
    whole = tuple(r for r in seldom if not parameters and _for_predicate(r, relation))
    rest = [r for r in narrowing if r not in whole]
    equal = tuple(dict.fromkeys(c for r in rest if (c := _key_column(r, relation, "=")) is not None and c not in keys))
    ranges = [c.inner.column for c in joined if c.operator in _RANGES and c.inner.column]
    ranges += [c for r in rest if (c := _key_column(r, relation, *_RANGES)) is not None]
    ends = [(r,) for r in dict.fromkeys(ranges) if r not in (*keys, *equal)]
    for predicate in dict.fromkeys(((), whole)):
        for more in dict.fromkeys(((), equal, *((*equal, *end) for end in ends))):
            if len(keys) + len(more) <= _MOST_KEYS:
                yield _Shape((*keys, *more), predicate=predicate)


def _key_column(restriction: Restriction, relation: KnownRelation, *operators: str) -> str | None:
    """The plain column that a condition compares with a value by one of the operators."""
    column = compared_column(restriction.clause, relation.relation)
    if column is None or restriction.clause.operator not in operators or restriction.clause.subplans:
        return None
    return column.column


def _for_predicate(restriction: Restriction, relation: KnownRelation) -> bool:
    """Whether a condition stands for a kind of row (a flag, a null test, a pattern, all but one value): it has no value
    that another query would change, and it calls no function that an index may not."""
    clause = restriction.clause
    if clause.functions or clause.subplans or clause.parameters or depends_on_session(clause.text):
        return False
    if compared_column(clause, relation.relation) is None:
        return False
    return clause.operator == "<>" or kind_of(clause, relation.relation) in _PREDICATES


def _included(relation: KnownRelation, shape: _Shape) -> Iterator[tuple[str, ...]]:
    """The further columns with which the index holds all that the plan needs of the relation.

    None for a partial index: which columns it may leave out for its predicate is not told by the plan.
    """
    if relation.columns is None or shape.predicate:
        return
    needed = set(relation.columns)
    for restriction in relation.restrictions:
        needed.update(c.column for c in restriction.clause.columns)
    missing = needed - set(shape.keys)
    order = [c.name for c in relation.relation.columns if c.name in missing]
    if order and len(order) == len(missing) <= _MOST_INCLUDED:
        yield tuple(order)


def _index(relation: KnownRelation, shape: _Shape) -> KnownIndex:
    """The index to build, its predicate keeping what the relation's conditions keep."""
    shares = {r.clause: r.selectivity for r in relation.restrictions}
    share = 1.0
    for r in shape.predicate:
        share *= shares.get(r.clause) or 1.0
    return index_to_build(relation, shape.keys, shape.included, share)


def _design(side: SidePrices, shape: _Shape, cost: float) -> IndexDesign:
    at_estimate = side.cost_at_estimate(_index(side.planned, shape))
    texts = [without_alias(r.clause.text, side.relation.alias) for r in shape.predicate]
    return IndexDesign(
        columns=shape.keys,
        included=shape.included,
        predicate=" AND ".join(texts) or None,
        cost=max(cost, 0.01),
        cost_at_estimate=at_estimate if at_estimate is not None else cost,
        pages=_index(side.relation, shape).shape.pages,
    )
