"""A site: a node at which an error enters, with everything that a cause's check asks about it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from functools import cache, partial
from typing import TYPE_CHECKING, Literal

from rowreckon.causes.defaults import default_selectivity
from rowreckon.causes.index_prices import IndexPrices
from rowreckon.causes.scans import (
    PlannedTotal,
    actual_totals,
    aliases,
    executions_of,
    is_base_scan,
    name_of,
    planned_total,
    relation_of,
    table_of,
)
from rowreckon.frozen import frozen
from rowreckon.plan.conditions import Clause, ColumnReference, parse_condition
from rowreckon.plan.nodes import (
    AggregateNode,
    BitmapHeapScanNode,
    BitmapIndexScanNode,
    FunctionScanNode,
    IndexScanNode,
    JoinNode,
    ScanNode,
)
from rowreckon.remedies.subject import TableName

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Catalog, Column, ColumnStatistics, Relation
    from rowreckon.causes.evidence import CauseEvidence
    from rowreckon.counts.interval import Interval
    from rowreckon.counts.origin import Entering
    from rowreckon.plan.base import PlanNode
    from rowreckon.plan.tree import PlanTree

_RETURNED = re.compile(r"\$\d+")
SiteKind = Literal["scan", "lookup", "join", "groups", "function", "other"]


@frozen
class Key:
    """One side of a join clause or a grouping key that is a plain column of a base relation."""

    alias: str
    column: str
    table: TableName
    relation: Relation | None


@frozen
class Context:
    """One plan's evidence with the look-ups that all sites share."""

    evidence: CauseEvidence
    tree: PlanTree
    catalog: Catalog | None
    scans: dict[str, tuple[int, ...]]
    totals: Callable[[], dict[TableName, Interval]]
    prices: IndexPrices
    subplan_results: frozenset[str]
    """Parameters ($0, $1, …) that InitPlans return, as names of subplans list them up to release 16."""

    @classmethod
    def of(cls, evidence: CauseEvidence) -> Context:
        """The context of one plan; linear in nodes."""
        catalog = evidence.capture.catalog
        return cls(
            evidence=evidence,
            tree=evidence.reckoned.tree,
            catalog=catalog,
            scans=aliases(evidence.reckoned.tree),
            totals=cache(partial(actual_totals, evidence.reckoned)),  # most plans are never asked
            prices=IndexPrices(evidence.capture, evidence.reckoned),
            subplan_results=frozenset(
                p for n in evidence.reckoned.tree.nodes if n.subplan_name for p in _RETURNED.findall(n.subplan_name)
            ),
        )

    @property
    def basis(self) -> Literal["catalog", "plan"]:
        """What a check that looked at the catalog rests on."""
        return "catalog" if self.catalog is not None else "plan"

    def total(self, number: int) -> Interval | None:
        """Rows that the relation of a scan really holds, where some scan of the plan proves it."""
        table = table_of(self.tree.nodes[number])
        return None if table is None else self.totals().get(table)

    def total_of(self, table: TableName) -> Interval | None:
        """The proven row total of a table, which a plan without VERBOSE names without its schema."""
        return self.totals().get(table) or self.totals().get(TableName(table.name))

    def key(self, reference: ColumnReference, below: int | None = None) -> Key | None:
        """The base relation's column behind a reference; None for what a subquery, function or CTE computes."""
        if reference.table is not None:
            numbers = self.scans.get(reference.table, ())
        else:
            numbers = tuple(n for n in self._base_scans(below))
        if not numbers:
            return None
        node = self.tree.nodes[numbers[0]]
        relation = relation_of(node, self.catalog)
        alias = reference.table or (node.alias if isinstance(node, ScanNode) else None) or ""
        if isinstance(node, ScanNode) and node.alias != alias:  # the alias of a partitioned table
            parent = self.parent_of(relation)
            table = name_of(parent) if parent is not None else None
            if table is None:
                return Key(alias, reference.column, TableName(""), None)
            return Key(alias, reference.column, table, parent)
        tables = {table_of(self.tree.nodes[n]) for n in numbers}
        table = table_of(node, relation)
        if len(tables) != 1 or table is None:
            return None
        return Key(alias, reference.column, table, relation)

    def parent_of(self, relation: Relation | None) -> Relation | None:
        """The topmost partitioned table above a partition, as far as the catalog holds it."""
        here = relation
        while here is not None and here.parent is not None and self.catalog is not None:
            above = self.catalog.relation(here.parent)
            if above is None:
                break
            here = above
        return None if here is relation else here

    def _base_scans(self, below: int | None) -> Iterator[int]:
        numbers = range(len(self.tree)) if below is None else self.tree.subtree(below)
        return (n for n in numbers if is_base_scan(self.tree.nodes[n]))


@frozen
class Site:
    """One node at which an error enters.

    `own` are the clauses on the node's relation alone, `joined` those that compare it with other relations (a
    parameterised scan, or a join's own condition). `total` is the relation's real row count and `planned` the
    planner's idea of it, both per execution; `kept` is the share of the rows that really passed. `in_each_of` are
    the processes that each ran the node whole, where they did.
    """

    number: int
    node: PlanNode
    kind: SiteKind
    factor: float
    direction: Literal["under", "over"]
    estimate: float
    actual: float
    executions: float
    in_each_of: int | None = None
    table: TableName | None = None
    relation: Relation | None = None
    alias: str | None = None
    own: tuple[Clause, ...] = ()
    joined: tuple[Clause, ...] = ()
    unread: tuple[str, ...] = ()
    total: Interval | None = None
    planned: PlannedTotal | None = None
    group_keys: tuple[str, ...] = ()

    @property
    def groups_came(self) -> float:
        """Groups per execution before a HAVING condition discarded any."""
        return (self.actual + (self.node.rows_removed_by_filter or 0) * float(self.node.loops)) / self.executions

    @property
    def groups_expected(self) -> float:
        """Groups that the planner expected per execution: a HAVING condition is taken to keep its default share."""
        share = default_selectivity(self.own) if self.own else 1.0
        return self.estimate / self.executions / (share or 1.0)

    @property
    def kept(self) -> float | None:
        """Share of the relation's rows that really came out, per execution; None where its total is not known."""
        rows = self.total_rows
        if not rows:
            return None
        return min(self.actual / self.executions / rows, 1.0)

    @property
    def total_rows(self) -> float | None:
        """The relation's real row count, else the catalog's best knowledge of it, else the planner's."""
        if self.total is not None:
            return (self.total.low + self.total.high) / 2
        if self.relation is not None and self.relation.n_live_tup:
            return float(self.relation.n_live_tup)
        return self.planned.rows.low if self.planned is not None else None

    @property
    def planned_rows(self) -> float | None:
        """The planner's idea of the relation's row count."""
        return None if self.planned is None else (self.planned.rows.low + self.planned.rows.high) / 2

    def column(self, name: str) -> Column | None:
        """The catalog's facts of one of the relation's columns."""
        return None if self.relation is None else self.relation.column(name)

    def statistics(self, name: str) -> ColumnStatistics | None:
        """The statistics that the planner took for one of the relation's columns."""
        column = self.column(name)
        if column is None or self.relation is None:
            return None
        inherited = self.relation.kind == "partitioned_table"
        return column.statistics_of(inherited=inherited)


def find_site(context: Context, entering: Entering) -> Site:
    """Everything about the node at which an error enters."""
    reckoned = context.evidence.reckoned
    number = entering.node
    node = context.tree.nodes[number]
    count = reckoned.counts[number]
    base = {
        "number": number,
        "node": node,
        "factor": entering.factor,
        "direction": "under" if entering.direction == "under" else "over",
        "estimate": count.estimate or 0.0,
        "actual": count.actual or 0.0,
        "executions": executions_of(reckoned, number),
        "in_each_of": reckoned.each_whole(number),
    }
    if is_base_scan(node):
        return _scan_site(context, number, base)
    if isinstance(node, JoinNode):
        joined, unread = _clauses(node.hash_cond, node.merge_cond, node.join_filter)
        if not joined and node.node_type == "Nested Loop":
            joined = _lookup_clauses(context.tree, number)
        own, unread_filter = _clauses(node.filter)
        return Site(**base, kind="join", joined=joined, own=own, unread=unread + unread_filter)  # type: ignore[arg-type]
    if isinstance(node, AggregateNode):
        own, unread = _clauses(node.filter)
        keys = node.group_key or ()
        return Site(**base, kind="groups", own=own, unread=unread, group_keys=keys)  # type: ignore[arg-type]
    if node.node_type == "Unique":
        return Site(**base, kind="groups", group_keys=_sorted_by(context.tree, number))  # type: ignore[arg-type]
    if isinstance(node, FunctionScanNode):
        own, unread = _clauses(node.filter)
        return Site(**base, kind="function", own=own, unread=unread, alias=node.alias)  # type: ignore[arg-type]
    own, unread = _clauses(node.filter)
    return Site(**base, kind="other", own=own, unread=unread)  # type: ignore[arg-type]


def _scan_site(context: Context, number: int, base: dict[str, object]) -> Site:
    node = context.tree.nodes[number]
    assert isinstance(node, ScanNode)
    relation = relation_of(node, context.catalog)
    clauses, unread = _clauses(*_scan_texts(context.tree, number))
    own = tuple(c for c in clauses if not (c.tables - {node.alias}))
    own += _by_partial_index(context.tree, number, relation, own)
    joined = tuple(c for c in clauses if c.tables - {node.alias})
    return Site(
        **base,  # type: ignore[arg-type]
        kind="lookup" if joined else "scan",
        table=table_of(node, relation),
        relation=relation,
        alias=node.alias,
        own=own,
        joined=joined,
        unread=unread,
        total=context.total(number),
        planned=planned_total(context.evidence.reckoned, number, context.evidence.capture, relation),
    )


def scan_clauses(tree: PlanTree, number: int) -> tuple[Clause, ...]:
    """All clauses of a scan that can be read, those that compare it with other relations too."""
    return _clauses(*_scan_texts(tree, number))[0]


def _scan_texts(tree: PlanTree, number: int) -> tuple[str | None, ...]:
    node = tree.nodes[number]
    if isinstance(node, IndexScanNode):
        return (node.index_cond, node.filter)
    if isinstance(node, BitmapHeapScanNode):
        below = [tree.nodes[n] for n in tree.subtree(number)]
        conditions = [n.index_cond for n in below if isinstance(n, BitmapIndexScanNode)]
        # Under a BitmapOr the index conditions are alternatives; the recheck condition has them as one clause.
        one_scan = len(conditions) == 1
        return (conditions[0] if one_scan else node.recheck_cond, node.filter)
    return (node.filter, node.tid_cond if isinstance(node, ScanNode) else None)


def _by_partial_index(
    tree: PlanTree, number: int, relation: Relation | None, own: tuple[Clause, ...]
) -> tuple[Clause, ...]:
    """The conditions that the predicate of a scan's index stands for: an index scan does not print them. On a column of
    which the scan prints a condition, that is the closer one."""
    names = {getattr(tree.nodes[n], "index_name", None) for n in tree.subtree(number)}
    indexes = [i for i in relation.indexes if i.name in names] if relation is not None else []
    if len(indexes) != 1 or indexes[0].predicate is None:
        return ()
    printed = {c.column for clause in own for c in clause.columns}
    return tuple(c for c in _clauses(indexes[0].predicate)[0] if not printed & {r.column for r in c.columns})


def _lookup_clauses(tree: PlanTree, number: int) -> tuple[Clause, ...]:
    """The join clauses of a nested loop whose inner side bears them itself, as parameters of its scan."""
    inner = tree.inner(number)
    found: dict[Clause, None] = {}
    for below in tree.subtree(inner) if inner is not None else ():
        node = tree.nodes[below]
        if is_base_scan(node) and isinstance(node, ScanNode):
            clauses, _ = _clauses(*_scan_texts(tree, below))
            found.update(dict.fromkeys(c for c in clauses if c.tables - {node.alias}))
    return tuple(found)


def _clauses(*texts: str | None) -> tuple[tuple[Clause, ...], tuple[str, ...]]:
    found: dict[Clause, None] = {}
    unread: list[str] = []
    for text in texts:
        if text is None:
            continue
        condition = parse_condition(text)
        if not condition.parsed:
            unread.append(text)
        found.update(dict.fromkeys(condition.clauses))
    return tuple(found), tuple(unread)


def _sorted_by(tree: PlanTree, number: int) -> tuple[str, ...]:
    for below in tree.inputs(number):
        keys = getattr(tree.nodes[below], "sort_key", None)
        if keys:
            return tuple(keys)
    return ()
