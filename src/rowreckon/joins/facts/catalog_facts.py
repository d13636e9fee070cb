"""What a catalog tells of the relations and clauses of a plan, in the terms of the planner's arithmetic.

Lookups by alias, as conditions name relations; everything is computed once per plan and kept.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from rowreckon.cost import CostSettings, estimate_rel_size
from rowreckon.joins.facts.known_index import known_indexes
from rowreckon.joins.facts.known_relation import Appended, KnownRelation, Restriction, width_of
from rowreckon.joins.facts.output_texts import calls_in
from rowreckon.joins.facts.parallel_safety import ParallelSafety
from rowreckon.plan.condition_text import bare_expression
from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.node_texts import conditions_at
from rowreckon.plan.nodes import AppendNode, IndexScanNode, JoinNode, ScanNode
from rowreckon.plan.partitions import is_appended
from rowreckon.plan.tree import base_name

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Catalog, JoinClauseFacts
    from rowreckon.joins.facts.clauses import JoinClause
    from rowreckon.plan.tree import PlanTree


class CatalogFacts:
    """A catalog with the plan that it belongs to."""

    def __init__(self, catalog: Catalog, tree: PlanTree, settings: CostSettings) -> None:
        self.catalog = catalog
        self.server_major = settings.server_major
        self._settings = settings
        self._relations: dict[int, KnownRelation | None] = {}
        self._tree = tree
        self._by_alias: dict[str, list[int]] = {}
        for number, node in enumerate(tree.nodes):
            if isinstance(node, ScanNode) and node.alias:
                self._by_alias.setdefault(node.alias, []).append(number)
        self._clauses: dict[tuple[str, str, str], JoinClauseFacts] = {}
        for facts in catalog.join_clauses:
            key = (_bare(facts.left.expression, facts.left.alias), _bare(facts.right.expression, facts.right.alias))
            self._clauses[(facts.left.alias + "\0" + key[0], facts.right.alias + "\0" + key[1], facts.operator)] = facts
        self.total_table_pages = self._total_pages()
        self._named = _columns_in_conditions(tree)
        self._printed = _expressions_compared(tree)
        self.parallel = ParallelSafety(settings, tree, catalog, self.relation_of)

    def relation_of(self, number: int) -> KnownRelation | None:
        """What is known of the relation that the node at `number` scans."""
        if number not in self._relations:
            self._relations[number] = self._read(number)
        return self._relations[number]

    def appended_by(self, number: int) -> Appended:
        """What is known of the relations that an Append brings together, as its inputs are nested; none where one of
        them is not known whole."""
        if not isinstance(self._tree.nodes[number], AppendNode):
            return ()
        found: list[KnownRelation | Appended] = []
        for below in self._tree.inputs(number):
            relation = self.relation_of(below)
            if relation is not None and relation.complete:
                found.append(replace(relation, columns=self._handed_up(below, relation)))
            elif inner := self.appended_by(below):
                found.append(inner)
            else:
                return ()
        return tuple(found)

    def _handed_up(self, number: int, relation: KnownRelation) -> frozenset[str] | None:
        """The columns that an Append's input needs of its relation: those that it hands up, and its own conditions'."""
        output = self._tree.nodes[number].output
        if output is None:
            return None
        named = {c.column for text in output for c in parse_condition(text).columns}
        return frozenset(named | {c.column for r in relation.restrictions for c in r.clause.columns})

    def unread_below(self, node: int) -> tuple[str, ...]:
        """The tables scanned at a node and below, in order, whose size the catalog does not tell."""
        scans = ((n, self._tree.nodes[n]) for n in self._tree.subtree(node))
        names = (base_name(scan) for n, scan in scans if isinstance(scan, ScanNode) and self.relation_of(n) is None)
        return tuple(dict.fromkeys(name for name in names if name is not None))

    def scan_of(self, alias: str | None) -> int | None:
        """The node that scans the relation under an alias; None where two do."""
        numbers = self._by_alias.get(alias or "", [])
        return numbers[0] if len(numbers) == 1 else None

    def index_order(self, node: IndexScanNode) -> tuple[str, ...]:
        """What the index that a node scans is sorted by, as join clauses spell it."""
        relation = self.by_alias(node.alias)
        for index in relation.indexes if relation is not None else ():
            if index.name == node.index_name:
                return index.order(node.alias or "")
        return ()

    def by_alias(self, alias: str | None) -> KnownRelation | None:
        """What is known of the relation under an alias; None where two scans carry it."""
        numbers = self._by_alias.get(alias or "", [])
        return self.relation_of(numbers[0]) if len(numbers) == 1 else None

    def clause(self, clause: JoinClause) -> tuple[JoinClauseFacts, bool] | None:
        """The facts of a join clause, and whether their left side is the join's inner side."""
        outer, inner = _sides(clause)
        if outer is None or inner is None:
            return None
        for operator in (clause.operator, _MIRROR.get(clause.operator, clause.operator)):
            straight = self._clauses.get((outer, inner, operator))
            if straight is not None:
                return straight, False
            turned = self._clauses.get((inner, outer, operator))
            if turned is not None:
                return turned, True
        return None

    def abilities(self, clause: JoinClause) -> tuple[bool | None, bool | None]:
        """Whether the clause's operator can hash and merge, as far as the catalog tells."""
        found = self.clause(clause)
        return (None, None) if found is None else (found[0].can_hash, found[0].can_merge)

    def _total_pages(self) -> float:
        total = 0.0
        for node in self._tree.nodes:
            if isinstance(node, ScanNode) and node.relation_name:
                relation = self.catalog.relation(node.relation_name, node.schema_name)
                total += float(relation.pages or 0) if relation is not None else 0.0
        return total

    def _read(self, number: int) -> KnownRelation | None:
        node = self._tree.nodes[number]
        if not isinstance(node, ScanNode) or not node.relation_name or not node.alias:
            return None
        relation = self.catalog.relation(node.relation_name, node.schema_name)
        if relation is None or relation.pages is None:
            return None
        estimate = self.catalog.estimate(node.alias, relation.oid)
        width = sum(width_of(column, relation.has_children) for column in relation.columns)
        size = estimate_rel_size(
            self._settings,
            current_pages=float(relation.pages),
            relpages=float(relation.relpages),
            reltuples=-1.0 if relation.reltuples is None else relation.reltuples,
            relallvisible=float(relation.relallvisible),
            width=width,
            fillfactor=relation.fillfactor or 100,
            has_subclass=relation.has_children,
            seq_page_cost=relation.seq_page_cost,
            random_page_cost=relation.random_page_cost,
        )
        restrictions = tuple(
            Restriction(clause, conjunct.selectivity)
            for conjunct in (estimate.restrictions if estimate is not None else ())
            for clause in parse_condition(conjunct.condition).clauses[:1]
        )
        plan_width = int(node.plan_width or 0)
        columns: frozenset[str] | None = None
        if estimate is not None and estimate.columns_complete:
            columns = frozenset(_column_name(text) for text in estimate.columns) | self._named.get(node.alias, set())
        rows = estimate.rows if estimate is not None else float(node.plan_rows or 1)
        joined = frozenset(c.name for c in relation.columns if c.attnum in self._joined(node.alias))
        named = joined | self._named.get(node.alias, set())
        names = (getattr(self._tree.nodes[n], "index_name", None) for n in self._tree.subtree(number))
        used = frozenset(name for name in names if name is not None)
        kept = estimate.selectivity if estimate is not None and not estimate.left_out else None
        spelled = self._expressions(node.alias)
        indexes, unpriced = known_indexes(relation, size, restrictions, joined, named, used, spelled, kept)
        return KnownRelation(
            alias=node.alias,
            relation=relation,
            size=size,
            estimate=estimate,
            restrictions=restrictions,
            rows=rows,
            width=plan_width,
            columns=columns,
            indexes=indexes,
            unpriced=unpriced,
            appended=is_appended(self._tree, number),
        )

    def _joined(self, alias: str) -> frozenset[int | None]:
        """The columns of a relation that join clauses compare, by attnum."""
        clauses = self.catalog.join_clauses
        return frozenset(side.attnum for c in clauses for side in (c.left, c.right) if side.alias == alias)

    def _expressions(self, alias: str) -> dict[str, str]:
        """The expressions of a relation that join clauses compare: how an index would spell them, and how they do."""
        sides = (side for c in self.catalog.join_clauses for side in (c.left, c.right))
        found = (side.expression for side in sides if side.alias == alias and side.attnum is None)
        return {bare_expression(text, alias): text for text in (*found, *self._printed.get(alias, ()))}

    def spelled(self, alias: str | None, text: str) -> str:
        """An expression of a relation as the indexes of it are told (`KnownIndex.expressions`)."""
        return self._expressions(alias or "").get(bare_expression(text, alias), text)

    def evaluated(self, text: str) -> float:
        """What evaluating an expression costs, in operator calls: a function counts as often as its procost says."""
        found = calls_in(text, self.server_major)
        if found is None:
            return 0.0
        costs = {function.name: function.procost for function in self.catalog.functions}
        return found.operators + sum(costs.get(name, 1.0) for name in found.functions)


_MIRROR = {"<": ">", "<=": ">=", ">": "<", ">=": "<="}


def _sides(clause: JoinClause) -> tuple[str | None, str | None]:
    """Both sides as `alias NUL expression`, the way the catalog's clauses are filed."""
    outer, inner = clause.outer_alias, clause.inner_alias
    return (
        None if outer is None else outer + "\0" + _bare(clause.outer_text, outer),
        None if inner is None else inner + "\0" + _bare(clause.inner_text, inner),
    )


def _columns_in_conditions(tree: PlanTree) -> dict[str, set[str]]:
    """Per alias the columns that some condition of the plan names, a scan's own ones without a table name too."""
    found: dict[str, set[str]] = {}
    for node in tree.nodes:
        own = node.alias if isinstance(node, ScanNode) else None
        for text in conditions_at(node):
            for column in parse_condition(text).columns:
                table = column.table or own
                if table is not None:
                    found.setdefault(table, set()).add(column.column)
    return found


def _expressions_compared(tree: PlanTree) -> dict[str, list[str]]:
    """Per alias the expressions, none of them a plain column, that a hash or merge join's condition compares."""
    found: dict[str, list[str]] = {}
    for node in tree.nodes:
        texts = (node.hash_cond, node.merge_cond) if isinstance(node, JoinNode) else ()
        for clause in (c for text in texts if text for c in parse_condition(text).clauses):
            for text, column in ((clause.left_text, clause.left_column), (clause.right_text, clause.right_column)):
                tables = {c.table for c in parse_condition(text).columns} if column is None and text else set()
                if len(tables) == 1 and None not in tables:
                    found.setdefault(str(tables.pop()), []).append(text)
    return found


def _bare(expression: str, alias: str) -> str:
    """An expression without quotes and without its own alias, so that both spellings compare equal."""
    text = expression.replace('"', "").strip()
    while text.startswith("(") and text.endswith(")") and text.count("(") == 1:
        text = text[1:-1]
    return text.replace(alias.replace('"', "") + ".", "")


def _column_name(text: str) -> str:
    return text.rsplit(".", 1)[-1].strip('"')
