"""What schema files say of the indexes that could serve a side of a join; most of all that there is none.

An index that a file declares may have been dropped since, so that it only leaves open what it could bring. That none is
declared of a table whose CREATE the files hold rules such ways out. Source: match_clauses_to_index in
optimizer/path/indxpath.c, releases 13 to 18: any key column of an index may take up a clause.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.nodes import ScanNode

if TYPE_CHECKING:
    from rowreckon.declared.facts import Declared
    from rowreckon.joins.facts.sides import JoinFacts, Side
    from rowreckon.plan.tree import PlanTree

SCHEMA_FILE = "schema file"
"""How a schema file is told from another plan among what a verdict rests on."""
_RANKED = frozenset({"btree"})
"""Access methods that give rows in the order of a key; one by distance joins nothing."""


class DeclaredIndexes:
    """The declared indexes of a plan's relations."""

    def __init__(self, declared: Declared, tree: PlanTree) -> None:
        self._declared = declared
        self._tree = tree

    def none_finds(self, facts: JoinFacts, side: Side) -> bool:
        """Whether surely no index finds the rows of a side by a value of the other's."""
        return self._none(facts, side, ordered=False)

    def none_orders(self, facts: JoinFacts, side: Side) -> bool:
        """Whether surely no index gives a side in the order of a join column."""
        return self._none(facts, side, ordered=True)

    def relied_on(self, facts: JoinFacts) -> tuple[str, ...]:
        """The files that rule ways out of a join, as `learned_from` names them; none where they rule out nothing."""
        if not any(
            self.none_finds(facts, side) or self.none_orders(facts, side) for side in (facts.outer, facts.inner)
        ):
            return ()
        return tuple(f"{SCHEMA_FILE} {name}" for name in self._declared.files)

    def _none(self, facts: JoinFacts, side: Side, *, ordered: bool) -> bool:
        node = self._tree.nodes[side.scan] if side.scan is not None else None
        if not isinstance(node, ScanNode) or not node.relation_name:
            return False
        relation = self._declared.relation(node.relation_name, node.schema_name)
        if relation is None or not relation.whole or relation.kind == "foreign_table":
            return False
        columns = _columns(facts, inner=side is facts.inner)
        if not columns:
            return False
        served = (i for i in relation.indexes if not ordered or i.access_method in _RANKED)
        return all(columns.isdisjoint(index.columns) for index in served)


def _columns(facts: JoinFacts, *, inner: bool) -> frozenset[str]:
    """The columns of a side that join clauses name, inside expressions too; none where a clause can't be read."""
    found: set[str] = set()
    for clause in facts.clauses:
        read = parse_condition((clause.inner_text if inner else clause.outer_text) or "")
        plain = clause.inner_column if inner else clause.outer_column
        names = {c.column for c in read.columns} | ({plain.column} if plain is not None else set())
        if not names:
            return frozenset()
        found |= names
    return frozenset(found)
