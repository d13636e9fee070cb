"""What schema files say of the indexes that could serve a side of a join; most of all that there is none.

An index that a file declares may have been dropped since, so that it only leaves open what it could bring. That none is
declared of a table whose CREATE the files hold rules such ways out. Source: match_clauses_to_index in
optimizer/path/indxpath.c, releases 13 to 18: any key column of an index may take up a clause.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.node_texts import conditions_at
from rowreckon.plan.nodes import ScanNode
from rowreckon.plan.tree import index_of

if TYPE_CHECKING:
    from rowreckon.declared.facts import Declared, DeclaredIndex, DeclaredRelation
    from rowreckon.joins.facts.sides import JoinFacts, Side
    from rowreckon.plan.tree import PlanTree

SCHEMA_FILE = "schema file"
"""How a schema file is told from another plan among what a verdict rests on."""
_RANKED = frozenset({"btree"})
"""Access methods that give rows in the order of a key; one by distance joins nothing."""
_NO_VALUE = frozenset({"<", "<=", ">", ">=", "<>"})
"""Comparisons that leave a column more than one value, so that what stands behind it in an index is in no order."""


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

    def only_sweeps(self, facts: JoinFacts, side: Side) -> bool:
        """Whether each index that could find a side's rows has a column first of which the query asks nothing.

        Such an index is read from end to end, or by each value of its first column in turn.
        """
        relation, columns = self._relation(side), _columns(facts, inner=side is facts.inner)
        if relation is None or not columns:
            return False
        serving = [index for index in relation.indexes if not columns.isdisjoint(index.columns)]
        asked = self._asked(relation, side, equal=False)
        return bool(serving) and all(_swept(index, columns, asked) for index in serving)

    def only_one(self, facts: JoinFacts, side: Side) -> DeclaredIndex | None:
        """The one index that could lead to a side's rows, where it is a plain B-tree with the join's columns first.

        None where there is none, another kind, or more than one.
        """
        relation, columns = self._relation(side), _columns(facts, inner=side is facts.inner)
        if relation is None or not columns:
            return None
        asked = self._asked(relation, side, equal=False)
        serving = [i for i in relation.indexes if not columns.isdisjoint(i.columns) and not _swept(i, columns, asked)]
        if len(serving) != 1 or serving[0].access_method not in _RANKED or not serving[0].valid:
            return None
        (index,) = serving
        first = index.keys[: len(columns)]
        plain = index.predicate is None and all(key.opclass is None and key.collation is None for key in first)
        return index if plain and {key.column for key in first} == columns else None

    def held(self, side: Side, name: str) -> frozenset[str] | None:
        """The columns that an index of a side's relation holds, None where the files do not tell."""
        relation = self._relation(side)
        index = relation.index(name) if relation is not None else None
        return None if index is None else columns_held(index)

    def unique_holds(self, facts: JoinFacts, side: Side, needed: frozenset[str]) -> bool | None:
        """Whether a unique index on join columns of a side alone holds all columns that are needed.

        None where the files do not tell, or declare no such index.
        """
        relation, columns = self._relation(side), _columns(facts, inner=side is facts.inner)
        if relation is None:
            return None
        unique = [i for i in relation.indexes if i.unique and i.keys and {key.column for key in i.keys} <= columns]
        return any(needed <= columns_held(index) for index in unique) if unique else None

    def sizes(self) -> dict[tuple[str | None, str], tuple[float, float]]:
        """Pages and rows of the relations that the plan names, where a statistics dump tells them."""
        found: dict[tuple[str | None, str], tuple[float, float]] = {}
        for node in self._tree.nodes:
            if not isinstance(node, ScanNode) or not node.relation_name:
                continue
            relation = self._declared.relation(node.relation_name, node.schema_name)
            if relation is not None and relation.relpages and relation.reltuples is not None:
                size = float(relation.relpages), relation.reltuples
                found[(node.schema_name, node.relation_name)] = size
        return found

    def relied_on(self, facts: JoinFacts, own: str) -> tuple[str, ...]:
        """What a join's ways are ruled out or priced by, as `learned_from` names it; `own` is the join's own plan.

        These are the files, and the plans that show an index of theirs to be there; nothing where they tell nothing.
        """
        sides = (facts.outer, facts.inner)
        proven = facts.inner if facts.inner_unique else None  # of that side the plan itself proves an index
        searched = [side for side in sides if side is not proven and facts.method != "nested_loop"]
        indexes = [i for side in searched if (i := self.only_one(facts, side)) is not None]
        dumped = facts.inner.parameterised and self._sized(facts.inner)
        absent = any(self.none_finds(facts, side) or self.none_orders(facts, side) for side in sides)
        if not (dumped or indexes or absent):
            return ()
        plans = {index.seen_in for index in indexes if index.seen_in is not None} - {own}
        return (*sorted(plans), *(f"{SCHEMA_FILE} {name}" for name in self._declared.files))

    def _none(self, facts: JoinFacts, side: Side, *, ordered: bool) -> bool:
        relation, columns = self._relation(side), _columns(facts, inner=side is facts.inner)
        if relation is None or not columns:
            return False
        if not ordered:
            return all(columns.isdisjoint(index.columns) for index in relation.indexes)
        asked = self._asked(relation, side, equal=True)
        ranked = [i for i in relation.indexes if i.access_method in _RANKED and not columns.isdisjoint(i.columns)]
        return all(_swept(index, columns, asked) for index in ranked)

    def _asked(self, relation: DeclaredRelation, side: Side, *, equal: bool) -> frozenset[str] | None:
        """The columns of which a side's own conditions ask one value, where `equal`, or anything; None where the plan
        does not tell: conditions that an index's predicate implies are not printed."""
        found: set[str] = set()
        for number in self._tree.subtree(side.scan) if side.scan is not None else ():
            node = self._tree.nodes[number]
            name = index_of(node)
            index = relation.index(name) if name is not None else None
            if name is not None and (index is None or index.predicate is not None):
                return None
            for condition in map(parse_condition, conditions_at(node)):
                if not condition.parsed:
                    return None
                asked = (c for c in condition.clauses if not equal or c.operator not in _NO_VALUE)
                found |= {column.column for clause in asked for column in clause.columns}
        return frozenset(found)

    def _sized(self, side: Side) -> bool:
        """Whether a statistics dump tells the size of the relation that a side scans."""
        node = self._tree.nodes[side.scan] if side.scan is not None else None
        return isinstance(node, ScanNode) and (node.schema_name, node.relation_name or "") in self.sizes()

    def _relation(self, side: Side) -> DeclaredRelation | None:
        """The relation that a side scans, where its indexes are those declared and no others."""
        node = self._tree.nodes[side.scan] if side.scan is not None else None
        if not isinstance(node, ScanNode) or not node.relation_name:
            return None
        relation = self._declared.relation(node.relation_name, node.schema_name)
        if relation is None or not relation.whole or relation.kind == "foreign_table":
            return None
        return relation


def columns_held(index: DeclaredIndex) -> frozenset[str]:
    """The columns whose values an index holds."""
    return frozenset((*(key.column for key in index.keys if key.column is not None), *index.included))


def _swept(index: DeclaredIndex, columns: frozenset[str], asked: frozenset[str] | None) -> bool:
    """Whether a B-tree of all rows has a plain column first that is not the join's, and of which nothing is asked."""
    if index.access_method not in _RANKED or index.predicate is not None or asked is None or not index.keys:
        return False
    first = index.keys[0].column
    return first is not None and first not in columns | asked


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
