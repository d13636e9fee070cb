"""Which columns the joins of a plan make equal: any of them can give an index scan its value, or be what is compared.

Source: generate_implied_equalities_for_column and generate_join_implied_equalities in
optimizer/path/equivclass.c, get_loop_count in optimizer/path/indxpath.c, releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from rowreckon.joins.facts.clauses import JoinClause
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.plan.conditions import ColumnReference

# what an outer join compares stays a condition of its own: its nulls are equal to nothing
_EQUATING = frozenset({"Inner", "Semi", "Right Semi"})


class EqualColumns:
    """The columns that inner joins and semijoins equate, in classes."""

    def __init__(self, joins: Iterable[JoinFacts] = ()) -> None:
        self._class_of: dict[tuple[str, str], set[tuple[str, str]]] = {}
        for facts in joins:
            for clause in facts.clauses if facts.kind in _EQUATING else ():
                one, other = _named(clause.outer_column), _named(clause.inner_column)
                if clause.is_equality and one is not None and other is not None:
                    self._unite(one, other)

    def aliases(self, alias: str, column: str | None) -> frozenset[str]:
        """The names under which relations stand that have a column equal to this one, its own among them."""
        if column is None:
            return frozenset({alias})
        equals = self._class_of.get((alias, column), ())
        return frozenset({alias, *(table for table, _ in equals)})

    def _unite(self, one: tuple[str, str], other: tuple[str, str]) -> None:
        both = self._class_of.get(one, {one}) | self._class_of.get(other, {other})
        for column in both:
            self._class_of[column] = both


NONE_EQUAL = EqualColumns()
"""Where the plan's other joins are not looked at."""


def compared_once(facts: JoinFacts) -> JoinFacts:
    """The join without clauses that follow from another of its own.

    The planner compares one pair of a class of equal columns. A nested loop may print two, where its index scan takes
    the value from another relation than the join's own clause does: the one that the index takes stands for both.
    """
    if facts.kind not in _EQUATING or len(facts.clauses) < 2:
        return facts
    kept: list[JoinClause] = []
    for clause in sorted(facts.clauses, key=lambda c: c.inner_node is None):
        if not (clause.is_equality and any(_of_one_class(clause, other) for other in kept)):
            kept.append(clause)
    if len(kept) == len(facts.clauses):
        return facts
    return replace(facts, clauses=tuple(c for c in facts.clauses if c in kept))


def _of_one_class(one: JoinClause, other: JoinClause) -> bool:
    pairs = ((one.outer_column, other.outer_column), (one.inner_column, other.inner_column))
    return other.is_equality and any(a is not None and a == b for a, b in pairs)


def _named(column: ColumnReference | None) -> tuple[str, str] | None:
    return None if column is None or column.table is None else (column.table, column.column)
