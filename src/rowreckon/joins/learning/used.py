"""Which other plans a join's verdict rests on, and what is said where the others contradict each other."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from rowreckon.joins.from_plan.unled_scans import unled_of
from rowreckon.joins.learning.order import in_order
from rowreckon.learned.facts import ColumnName, relation_name
from rowreckon.plan.clause import ColumnReference
from rowreckon.plan.nodes import ScanNode
from rowreckon.plural import agreeing, counted

if TYPE_CHECKING:
    from rowreckon.counts.reckon import ReckonedTree
    from rowreckon.joins.facts.sides import JoinFacts
    from rowreckon.learned.facts import LearnedFacts, RelationName


def plans_used(learned: LearnedFacts, reckoned: ReckonedTree, facts: JoinFacts, own: str) -> tuple[str, ...]:
    """The other plans that tell the sizes of a join's relations, the indexes on its columns and that there are none, by
    name; `own` is the join's own plan."""
    names: set[str] = set()
    for side in (facts.outer, facts.inner):
        names.update(fact.source.plan for fact in unled_of(reckoned, facts, side, learned))
    for number in (facts.outer.scan, facts.inner.scan):
        node = reckoned.tree.nodes[number] if number is not None else None
        fact = learned.size(node.schema_name, node.relation_name) if isinstance(node, ScanNode) else None
        if fact is None or not fact.size.settled().exact or not isinstance(node, ScanNode):
            continue
        names.update(source.plan for source in fact.sources)
        columns = {
            _column(c.outer_column, c.inner_column, inner_side=number == facts.inner.scan) for c in facts.clauses
        }
        names.update(_counting(learned, facts, relation_name(node.schema_name, node.relation_name), columns))
        for index in learned.indexes_on(node.schema_name, node.relation_name):
            if index.keys == columns:
                names.update(source.plan for source in index.sources)
    return tuple(sorted(names - {own}, key=in_order))


def _counting(
    learned: LearnedFacts, facts: JoinFacts, relation: RelationName | None, columns: set[str | None]
) -> Iterator[str]:
    """The plans that tell how many values of a column would drive a loop in place of the join."""
    if relation is None or facts.method == "nested_loop" or len(facts.clauses) != 1:
        return
    for column in columns:
        fact = learned.distinct.get(ColumnName(relation, column)) if column is not None else None
        yield from (source.plan for source in fact.sources) if fact is not None else ()


def _column(outer: ColumnReference | None, inner: ColumnReference | None, *, inner_side: bool) -> str | None:
    column = inner if inner_side else outer
    return column.column if column is not None else None


def contradictions(learned: LearnedFacts) -> tuple[str, ...]:
    """What is said where other plans of the database could not be used."""
    said: list[str] = []
    if learned.left_out:
        others = counted(learned.left_out, "other plan")
        verb = agreeing(f"{learned.left_out}", "contradicts", "contradict")
        said.append(f"{others} {verb} this one by a table's size or the release: nothing was learned from there")
    if learned.contradicted:
        names = ", ".join(str(name) for name in sorted(learned.contradicted))
        said.append(f"the other plans do not agree on the size of {names}: nothing was learned of that")
    return tuple(said)
