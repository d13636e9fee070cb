"""What to ask a server about some plans: relation names, each scan's own restrictions, the clauses of the joins.

A plan can come from anywhere, so its texts are only asked about as trees that were checked node by node and printed by
us (`asked_texts`); where they come from decides what they may name (`request.Trust`).  Pure.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from rowreckon.plan.conditions import Clause, parse_condition
from rowreckon.plan.node_texts import clauses_at, conditions_at, keys_at
from rowreckon.plan.nodes import BitmapHeapScanNode, FunctionScanNode, IndexScanNode, ScanNode
from rowreckon.plan.partitions import Members as Partitions
from rowreckon.plan.tree import PlanTree, index_of
from rowreckon.sql.spelling import with_alias

from .asked_texts import MOST_CHARACTERS, AskedTexts
from .comparisons import Comparison, comparison_of, tables_of
from .request import COMPARISONS, FactsRequest, Trust, WantedClause, WantedPair, WantedRelation, WantedTable, quoted

__all__ = ["FactsRequest", "WantedClause", "WantedPair", "WantedRelation", "wanted_facts"]


def wanted_facts(
    plans: Sequence[PlanTree], *, trust: Trust = "file", with_values: bool = False, masked: bool = False
) -> FactsRequest:
    """The request for these plans, in their order; linear in nodes. `masked` plans have no literals any more."""
    asked = AskedTexts(trust, masked=masked)
    parts = [_Part(number, tree, asked) for number, tree in enumerate(plans)]
    for part in parts:
        part.read()
    return FactsRequest(
        plans=len(plans),
        trust=trust,
        relations=tuple(r for part in parts for r in part.relations),
        tables=tuple(t for part in parts for t in part.tables),
        clauses=tuple(c for part in parts for c in part.clauses.values() if c is not None),
        pairs=tuple(p for part in parts for p in part.pairs()),
        texts=tuple(asked.texts),
        not_asked=tuple(asked.not_asked),
        functions=tuple(sorted({f for part in parts for f in part.functions})),
        operators=tuple(dict.fromkeys(["=", *(o for part in parts for o in part.operators)])),
        with_values=with_values,
    )


@dataclass(slots=True)
class _Part:
    """What one plan adds to the request."""

    number: int
    tree: PlanTree
    asked: AskedTexts
    relations: list[WantedRelation] = field(default_factory=list)
    tables: list[WantedTable] = field(default_factory=list)
    clauses: dict[Comparison, WantedClause | None] = field(default_factory=dict)
    functions: dict[str, None] = field(default_factory=dict)
    operators: dict[str, None] = field(default_factory=dict)
    together: dict[tuple[str, str], dict[str, int | None]] = field(default_factory=dict)

    def read(self) -> None:
        above = _columns_above(self.tree)
        compared = _compared(self.tree)
        self.relations = [self._relation(at, node, above, compared) for at, node in _scans(self.tree)]
        members = self._partitioned()
        aliases = {r.alias for r in self.relations} | set(members.values())
        for node in self.tree.nodes:
            own_alias = node.alias if isinstance(node, ScanNode) else None
            for clause in clauses_at(node):
                self.operators.update(dict.fromkeys([clause.operator] if clause.operator in COMPARISONS else ()))
                self.functions.update(dict.fromkeys(clause.functions))
                named = sorted(tables_of(clause.columns, own_alias))
                if len(named) == 2 and aliases.issuperset(named) and _alone(clause):
                    self._between(*_of_tables(named, clause, own_alias, members))
            if isinstance(node, FunctionScanNode) and node.function_name:
                self.functions[node.function_name] = None

    def _partitioned(self) -> dict[str, str]:
        """The aliases of partitions, each with that of its table, which is put on the list of what is asked."""
        members, found = Partitions(self.tree), dict[str, str]()
        for alias, _ in members.appends():
            scans = {n: node for n in members.scans_of(alias) if isinstance(node := self.tree.nodes[n], ScanNode)}
            own = {node.alias: node for node in scans.values() if node.alias is not None}
            if not own:
                continue
            found.update(dict.fromkeys(own, alias))
            shared = [{with_alias(c.text, name, alias) for c in _own_clauses(node)} for name, node in own.items()]
            texts = sorted(set.intersection(*shared))
            places = (self.asked.condition(self.number, text, (alias,), alias) for text in texts)
            first = next(iter(own.values()))
            assert first.relation_name is not None
            self.tables.append(
                WantedTable(
                    plan=self.number,
                    alias=alias,
                    member_schema=first.schema_name,
                    member=first.relation_name,
                    condition_texts=tuple(place for place in places if place is not None),
                )
            )
        return found

    def pairs(self) -> list[WantedPair]:
        """The pairs of scans of which all clauses may be asked."""
        return [
            WantedPair(
                plan=self.number,
                left_alias=a,
                right_alias=b,
                clauses=tuple(texts),
                clause_texts=tuple(t for t in texts.values() if t is not None),
            )
            for (a, b), texts in sorted(self.together.items())
            if None not in texts.values()
        ]

    def _between(self, pair: tuple[str, str], clause: Clause, own_alias: str | None) -> None:
        """A clause between two scans: as a comparison where it is one, and as a part of what holds for the pair."""
        compared = comparison_of(clause, own_alias)
        if compared is None:
            if all(c.table for c in clause.columns):
                self._hold(pair, clause.text, self.asked.condition(self.number, clause.text, pair, None))
            return
        if compared in self.clauses or compared.turned() in self.clauses:
            whole = f"{compared.left} {compared.operator} {compared.right}"
            if whole not in self.together.get(pair, {}):
                self._hold(pair, whole, self.asked.condition(self.number, clause.text, pair, own_alias))
            return
        wanted, place = self._wanted(compared, clause, own_alias)
        self.clauses[compared] = wanted
        self._hold(pair, f"{compared.left} {compared.operator} {compared.right}", place)

    def _hold(self, pair: tuple[str, str], text: str, place: int | None) -> None:
        self.together.setdefault(pair, {})[text] = place

    def _wanted(
        self, compared: Comparison, clause: Clause, own_alias: str | None
    ) -> tuple[WantedClause | None, int | None]:
        """The clause as it is asked about, and the place of the whole; None where it is not asked."""
        aliases = (compared.left_alias, compared.right_alias)
        found = self.asked.comparison(self.number, clause.text, aliases, own_alias)
        if found is None:
            return None, None
        (left, right), (left_cast, right_cast), schema, whole = found
        wanted = WantedClause(
            plan=self.number,
            left_alias=compared.left_alias,
            left=compared.left,
            left_column=clause.left_column.column if clause.left_column else None,
            left_text=left,
            left_cast=left_cast,
            right_alias=compared.right_alias,
            right=compared.right,
            right_column=clause.right_column.column if clause.right_column else None,
            right_text=right,
            right_cast=right_cast,
            operator=compared.operator,
            operator_schema=schema,
        )
        return wanted, whole

    def _relation(
        self, at: int, node: ScanNode, above: dict[str, set[str]], compared: dict[str, set[str]]
    ) -> WantedRelation:
        assert node.relation_name is not None
        assert node.alias is not None
        own: dict[str, int] = {}
        left_out: dict[str, None] = {}
        for text in _unreadable(node):
            self.asked.refuse(self.number, text, node.alias)
            left_out[text[:MOST_CHARACTERS]] = None
        bitmap = isinstance(node, BitmapHeapScanNode)
        told = _told_below(self.tree, at) if bitmap else frozenset()
        for clause in _own_clauses(node):
            if bitmap and clause.text not in told and _implied(clause, compared.get(node.alias, ())):
                continue
            place = None
            if _alone(clause):
                place = own.get(clause.text) or self.asked.condition(
                    self.number, clause.text, (node.alias,), node.alias
                )
            if place is None:
                left_out[clause.text] = None
            else:
                own[clause.text] = place
        complete = node.output is not None
        columns: dict[str, int] = {}
        handed_up = node.output or () if at == 0 else ()
        for text in handed_up or sorted(above.get(node.alias, ())):
            place = self.asked.column(self.number, text, node.alias)
            complete = complete and place is not None
            if place is not None:
                columns[text] = place
        return WantedRelation(
            plan=self.number,
            schema_name=node.schema_name,
            name=node.relation_name,
            alias=node.alias,
            conditions=tuple(own),
            condition_texts=tuple(own.values()),
            left_out=tuple(left_out),
            columns=tuple(columns),
            column_texts=tuple(columns.values()),
            columns_complete=complete,
            # a bitmap scan's printed conditions hold what its indexes' predicates imply
            indexes=() if bitmap else tuple(sorted(_indexes(self.tree, at))),
            compared=tuple(sorted(compared.get(node.alias, ()))),
        )


def _of_tables(
    named: Sequence[str], clause: Clause, own_alias: str | None, members: Mapping[str, str]
) -> tuple[tuple[str, str], Clause, str | None]:
    """Both aliases of a clause, the clause, and the alias of its scan, with tables in place of their partitions."""
    first, second = sorted(members.get(name, name) for name in named)
    text = clause.text
    for name in named:
        if name in members:
            text = with_alias(text, name, members[name])
    own = members.get(own_alias, own_alias) if own_alias is not None else None
    changed = parse_condition(text).clauses if text != clause.text else ()
    return (first, second), changed[0] if len(changed) == 1 else clause, own


def _scans(tree: PlanTree) -> Iterator[tuple[int, ScanNode]]:
    for at, node in enumerate(tree.nodes):
        if isinstance(node, ScanNode) and node.relation_name and node.alias:
            yield at, node


def _own_texts(node: ScanNode) -> Iterator[str]:
    """The conditions of a scan."""
    texts = [node.filter, node.tid_cond]
    if isinstance(node, IndexScanNode):
        texts.append(node.index_cond)
    if isinstance(node, BitmapHeapScanNode):
        texts.append(node.recheck_cond)
    return filter(None, texts)


def _unreadable(node: ScanNode) -> Iterator[str]:
    return (text for text in _own_texts(node) if not parse_condition(text).parsed)


def _own_clauses(node: ScanNode) -> Iterator[Clause]:
    """The clauses of a scan's conditions that name nothing else: one that does is a join clause, pushed down."""
    for text in _own_texts(node):
        for clause in parse_condition(text).clauses:
            if not tables_of(clause.columns, node.alias) - {node.alias}:
                yield clause


def _told_below(tree: PlanTree, at: int) -> frozenset[str]:
    """The clauses of a bitmap scan's filter and of its indexes' conditions: what else it rechecks are predicates."""
    texts = [getattr(tree.nodes[at], "filter", None)]
    texts += [getattr(tree.nodes[n], "index_cond", None) for n in tree.subtree(at)]
    return frozenset(clause.text for text in filter(None, texts) for clause in parse_condition(text).clauses)


def _implied(clause: Clause, compared: Collection[str]) -> bool:
    """Whether a clause only says that a column is no null which a comparison keeps from being one."""
    column = clause.left_column
    no_null = clause.operator == "IS NULL" and clause.text.upper().endswith("IS NOT NULL")
    return no_null and column is not None and column.column in compared


def _indexes(tree: PlanTree, at: int) -> set[str]:
    return {name for n in tree.subtree(at) if (name := index_of(tree.nodes[n])) is not None}


def _compared(tree: PlanTree) -> dict[str, set[str]]:
    """Per alias the plain columns that a comparison of the plan names: a row without a value there never passes it."""
    found: dict[str, set[str]] = {}
    for node in tree.nodes:
        own = node.alias if isinstance(node, ScanNode) else None
        for clause in clauses_at(node):
            sides = (clause.left_column, clause.right_column) if clause.operator in COMPARISONS else ()
            for column in sides:
                alias = None if column is None else column.table or own
                if column is not None and alias is not None:
                    found.setdefault(alias, set()).add(column.column)
    return found


def _alone(clause: Clause) -> bool:
    """Whether it can stand without the plan: no subplan's result, no value from elsewhere."""
    return not clause.subplans and not clause.parameters


def _columns_above(tree: PlanTree) -> dict[str, set[str]]:
    """Per alias the columns, quoted, that nodes other than its own scan name: what the scan must hand up."""
    found: dict[str, set[str]] = {}
    for node in tree.nodes:
        own = node.alias if isinstance(node, ScanNode) else None
        texts = [*conditions_at(node), *keys_at(node)]
        if not isinstance(node, ScanNode):  # a scan may hand up columns that nobody needs
            texts += node.output or ()
        for text in texts:
            for reference in parse_condition(text).columns:
                if reference.table is not None and reference.table != own and reference.column != "*":
                    found.setdefault(reference.table, set()).add(quoted(reference.table, reference.column))
    return found
