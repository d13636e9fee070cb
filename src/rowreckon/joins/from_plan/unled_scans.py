"""Which sides of a join are tables whose join columns lead no index, as other plans prove."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rowreckon.joins.from_plan.own_conditions import own_conditions
from rowreckon.learned.facts import ColumnName, LearnedFacts, UnledFact, relation_name
from rowreckon.plan.nodes import ScanNode

if TYPE_CHECKING:
    from rowreckon.counts.reckon import ReckonedTree
    from rowreckon.joins.facts.sides import JoinFacts, Side


def unled_scans(reckoned: ReckonedTree, facts: JoinFacts, learned: LearnedFacts) -> dict[int, float]:
    """The scans of such sides, and how often a search goes down an index that another column leads, at least."""
    found: dict[int, float] = {}
    for side in (facts.outer, facts.inner) if learned.unled else ():
        told = unled_of(reckoned, facts, side, learned)
        if side.scan is not None and told:
            found[side.scan] = min(fact.descents for fact in told)
    return found


def unled_of(reckoned: ReckonedTree, facts: JoinFacts, side: Side, learned: LearnedFacts) -> tuple[UnledFact, ...]:
    """What proves it of a side, one fact for each join column; empty where not all of them are proven."""
    node = reckoned.tree.nodes[side.scan] if side.scan is not None else None
    relation = relation_name(node.schema_name, node.relation_name) if isinstance(node, ScanNode) else None
    asked = own_conditions(reckoned, side)
    if relation is None or asked is None:
        return ()
    found: list[UnledFact] = []
    for column in _columns(facts, side):
        told = learned.unled.get(ColumnName(relation, column), ()) if column is not None else ()
        fitting = next((fact for fact in told if asked <= fact.conditions), None)
        if fitting is None:
            return ()
        found.append(fitting)
    return tuple(found)


def _columns(facts: JoinFacts, side: Side) -> Iterator[str | None]:
    inner = side is facts.inner
    for clause in facts.clauses:
        column = clause.inner_column if inner else clause.outer_column
        yield column.column if column is not None else None
