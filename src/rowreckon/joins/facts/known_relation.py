"""One relation as the planner saw it: size, own conditions, indexes and column statistics in the planner's terms."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.cost import ColumnStatistics, IndexShape, RelationSize, get_variable_numdistinct
from rowreckon.frozen import frozen
from rowreckon.plan.conditions import Clause

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Column, Relation, RelationEstimate


@frozen
class Restriction:
    """One of a relation's own conditions, with its selectivity (None where the server did not answer)."""

    clause: Clause
    selectivity: float | None


@frozen
class KnownIndex:
    """A valid B-tree or hash index of a relation, with the names of its key columns (None for an expression).

    `unique` says that it proves uniqueness to the planner; `covered` are the columns that it holds; `share` is the part
    of the relation's tuples that its predicate keeps, `implied` how many of the relation's own conditions the predicate
    makes superfluous. `expressions` holds, at the place of a key that is an expression, how a join clause spells it;
    None where none compares it.
    """

    name: str
    unique: bool
    shape: IndexShape
    keys: tuple[str | None, ...]
    covered: frozenset[str]
    share: float = 1.0
    implied: int = 0
    expressions: tuple[str | None, ...] = ()

    @property
    def ordered(self) -> bool:
        """Whether it can be read whole, in the order of its keys."""
        return not self.shape.hashed

    def order(self, alias: str) -> tuple[str, ...]:
        """What its rows come sorted by, as join clauses spell it; up to the first key that none of them compares."""
        found: list[str] = []
        for place, key in enumerate(self.keys if self.ordered else ()):
            spelled = f"{alias}.{key}" if key is not None else self.expression(place)
            if spelled is None:
                break
            found.append(spelled)
        return tuple(found)

    def expression(self, place: int) -> str | None:
        """The expression that is the key at this place, as a join clause spells it; None where none compares it."""
        return self.expressions[place] if place < len(self.expressions) else None


@frozen
class UnpricedIndex:
    """An index that might serve a join and has no price here: its name, what it is, and its keys (columns by name)."""

    name: str
    kind: str
    keys: tuple[str, ...]


@frozen
class KnownRelation:
    """A scan's relation as the planner saw it.

    `rows` and `width` are the scan's own estimate under its restrictions; `columns` are the columns that the plan
    needs of it, None where the plan does not list them. `unpriced` names indexes that might serve a join and have no
    price here, each with its key columns or expressions. `appended` says that an Append brings it together with others.
    """

    alias: str
    relation: Relation
    size: RelationSize
    estimate: RelationEstimate | None
    restrictions: tuple[Restriction, ...]
    rows: float
    width: int
    columns: frozenset[str] | None
    indexes: tuple[KnownIndex, ...]
    unpriced: tuple[UnpricedIndex, ...] = ()
    appended: bool = False

    @property
    def complete(self) -> bool:
        """Whether the server answered for all restrictions, so that `rows` are its own estimate."""
        return self.estimate is not None and not self.estimate.left_out

    @property
    def selectivity(self) -> float:
        """The fraction of the relation's tuples that its own restrictions keep."""
        if self.estimate is not None and self.estimate.selectivity is not None:
            return self.estimate.selectivity
        return min(self.rows / self.size.tuples, 1.0) if self.size.tuples > 0 else 1.0

    @property
    def restriction_calls(self) -> float:
        """Operator calls that its restrictions cost per tuple."""
        if self.estimate is not None and self.estimate.qual_cost is not None:
            return self.estimate.qual_cost
        return float(len(self.restrictions))

    def column(self, name: str) -> Column | None:
        """A column by name."""
        return self.relation.column(name)


Appended = tuple["KnownRelation | Appended", ...]
"""The inputs of an Append: relations, and those of Appends below it."""


def distinct_values(relation: KnownRelation, column: str) -> tuple[float, bool]:
    """Distinct values of a column in its whole table, and whether that is a mere default."""
    return get_variable_numdistinct(statistics_of(relation, column))


def statistics_of(relation: KnownRelation, column: str) -> ColumnStatistics:
    """A column's statistics with its table's size."""
    unique = any(k.unique and k.keys == (column,) for k in relation.indexes)
    facts = relation.column(column)
    row = facts.statistics_of(inherited=relation.relation.has_children) if facts is not None else None
    tuples = relation.size.tuples
    if row is None:
        return ColumnStatistics(tuples, relation.rows, is_unique=unique)
    return ColumnStatistics(
        tuples,
        relation.rows,
        n_distinct=row.n_distinct,
        null_frac=row.null_frac,
        mcv_freqs=row.most_common_freqs,
        is_unique=unique,
    )


def width_of(column: Column, inherited: bool) -> int:
    row = column.statistics_of(inherited=inherited)
    if row is not None:
        return int(row.avg_width)
    return column.type_length if column.type_length > 0 else 32
