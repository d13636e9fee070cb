"""Which index would spare a scan the rows that it reads and does not keep, and what the scan costs with it.

Key columns: those that the scan's conditions compare for equality, then those of the order in which a LIMIT above takes
rows, else one that a condition compares by range. Behind equality a B-tree is in the order of its next columns, so that
a LIMIT ends after the rows that it gives (PostgreSQL documentation, "Indexes and ORDER BY").
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.causes.clause_kinds import bare_column, kind_of
from rowreckon.causes.limited import MANY_READ, NEARLY_ALL, Limited, limited_above
from rowreckon.causes.scans import executions_of, partition_parent_alias
from rowreckon.causes.site import scan_clauses
from rowreckon.cost import IndexCondition, QualCost, cost_index, cost_seqscan
from rowreckon.frozen import frozen
from rowreckon.joins.ways.index_match import index_to_build
from rowreckon.plan.nodes import BitmapHeapScanNode, IndexScanNode, ScanNode

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Index, Relation
    from rowreckon.causes.index_prices import IndexPrices, Priced
    from rowreckon.counts.reckon import ReckonedTree
    from rowreckon.joins.facts.known_relation import KnownRelation
    from rowreckon.plan.conditions import Clause

_MOST_KEYS = 4
_WIDEST = 400
"""Bytes of a column on average from which on it is no key: an entry of a B-tree holds a third of a page at most."""
_UNSORTED = frozenset(
    {"json", "xml", "point", "box", "line", "lseg", "path", "polygon", "circle", "xid", "cid", "aclitem"}
)
_RANGES = frozenset({"<", "<=", ">", ">="})


@frozen
class ScanReads:
    """Rows that a scan read and that were wanted of it, each time that it ran; how often it ran, and its LIMIT."""

    read: float
    kept: float
    executions: float
    limit: Limited | None


@frozen
class ScanDesign:
    """An index for a scan, priced at the rows that came, all executions together (planner cost).

    `directions` are the key columns that are not sorted as by default, with the words that say so.
    """

    columns: tuple[str, ...]
    directions: tuple[tuple[str, str], ...]
    cost: float
    existing: float
    pages: float
    reads: ScanReads


def reads_of(reckoned: ReckonedTree, number: int, relation: Relation | None) -> ScanReads | None:
    """What a scan read and kept, where it threw nearly all away or a LIMIT took hardly any; None for others."""
    node = reckoned.tree.nodes[number]
    if not isinstance(node, ScanNode) or not node.relation_name or not node.loops or node.actual_rows is None:
        return None
    executions = executions_of(reckoned, number)
    removed = float(node.rows_removed_by_filter or 0) + float(getattr(node, "rows_removed_by_index_recheck", 0) or 0)
    per = float(node.loops) / executions
    kept = float(node.actual_rows) * per
    read = kept + removed * per
    if read * executions < MANY_READ:
        return None
    limit = limited_above(reckoned.tree, number, relation)
    if limit is not None and limit.sorts:
        kept = min(kept, limit.rows)
    return ScanReads(read, kept, executions, limit) if read >= NEARLY_ALL * max(kept, 1.0) else None


def design_for(reckoned: ReckonedTree, number: int, prices: IndexPrices) -> ScanDesign | None:
    """The index that would make a scan an order of magnitude cheaper; None where there is none to build."""
    priced = prices.of_scan(number)
    if priced is None or partition_parent_alias(reckoned.tree, number) is not None:
        return None
    relation, node = priced.relation, reckoned.tree.nodes[number]
    reads = reads_of(reckoned, number, relation.relation)
    if reads is None or not isinstance(node, ScanNode) or not _can_have_index(relation):
        return None
    clauses = scan_clauses(reckoned.tree, number)
    keys = _Keys.of(clauses, relation, node, reads.limit)
    unserved = _share(relation, [c for c in clauses if keys is not None and c not in keys.served])
    if keys is None or unserved is None or _is_there(relation, keys):
        return None
    found = _found(reads, keys, relation.size.tuples) / unserved
    existing = _existing(priced, node, reads) * reads.executions
    cost = _with_index(priced, keys.columns, found, reads.executions) * reads.executions
    if existing < NEARLY_ALL * cost:
        return None
    pages = index_to_build(relation, keys.columns).shape.pages
    return ScanDesign(keys.columns, keys.directions, cost, existing, pages, reads)


def _found(reads: ScanReads, keys: _Keys, tuples: float) -> float:
    """Rows that the scan's conditions leave each time: for a LIMIT only those that it takes, in its order."""
    if reads.limit is None or keys.in_order:
        return max(reads.kept, 0.5)
    if reads.limit.sorts:
        return reads.read
    return max(reads.kept, 0.5) / reads.read * tuples  # it ended early: the whole table holds more of them


def _can_have_index(relation: KnownRelation) -> bool:
    return (
        relation.relation.kind in ("table", "materialized_view")
        and relation.relation.persistence != "temporary"
        and relation.relation.schema_ not in ("pg_catalog", "information_schema")
    )


@frozen
class _Keys:
    """The key columns of an index, the conditions that it serves, and whether it gives the order that a LIMIT takes."""

    columns: tuple[str, ...]
    directions: tuple[tuple[str, str], ...]
    served: tuple[Clause, ...]
    in_order: bool

    @classmethod
    def of(
        cls, clauses: tuple[Clause, ...], relation: KnownRelation, node: ScanNode, limit: Limited | None
    ) -> _Keys | None:
        """Equality first, then the order or a range; None where a column can't be a key, or nothing is compared."""
        compared = [(c, column) for c in clauses if (column := bare_column(c, node.alias, relation.relation))]
        single = [(c, k) for c, k in compared if _pins(c, relation)]
        several = [(c, k) for c, k in compared if c.operator in ("= ANY", "IN")]
        ordered = limit.order if limit is not None else ()
        if ordered and not several:
            columns = dict.fromkeys([*(k for _, k in single), *(column for column, _ in ordered)])
            served = [*(c for c, _ in single), *_on_order(compared, ordered)]
            directions = tuple((c, words) for c, words in ordered if words)
        else:
            equal = [*single, *several]
            ranged = [(c, k) for c, k in compared if c.operator in _RANGES and k not in {k for _, k in equal}]
            first = ranged[0][1] if ranged else None
            columns = dict.fromkeys([*(k for _, k in equal), *([first] if first else [])])
            served = [*(c for c, _ in equal), *(c for c, k in ranged if k == first)]
            directions = ()
        names = tuple(columns)
        if not 0 < len(names) <= _MOST_KEYS or not all(_can_be_key(relation, name) for name in names):
            return None
        return cls(names, directions, tuple(served), bool(ordered) and not several)


def _pins(clause: Clause, relation: KnownRelation) -> bool:
    """Whether a condition leaves one value of its column."""
    return clause.operator in ("=", "IS NULL") or kind_of(clause, relation.relation) == "flag"


def _on_order(compared: list[tuple[Clause, str]], ordered: tuple[tuple[str, str], ...]) -> list[Clause]:
    """The ranges on the first column of the order, at whose end a scan of the index begins."""
    return [c for c, column in compared if column == ordered[0][0] and c.operator in _RANGES]


def _can_be_key(relation: KnownRelation, name: str) -> bool:
    column = relation.column(name)
    if column is None or column.type in _UNSORTED:
        return False
    statistics = column.statistics_of(inherited=relation.relation.has_children)
    return statistics is None or statistics.avg_width <= _WIDEST


def _is_there(relation: KnownRelation, keys: _Keys) -> bool:
    """Whether an index begins with these columns already, so that the planner declined it."""
    return any(
        i.valid and not i.partial and i.access_method == "btree" and _begins_with(relation, i, keys.columns)
        for i in relation.relation.indexes
    )


def _begins_with(relation: KnownRelation, index: Index, columns: tuple[str, ...]) -> bool:
    numbers = tuple(c.attnum if (c := relation.column(name)) is not None else None for name in columns)
    return tuple(key.attnum for key in index.keys[: len(columns)]) == numbers


def _share(relation: KnownRelation, clauses: list[Clause]) -> float | None:
    """The share of rows that the conditions left to the filter keep, by the planner; None where it told of none."""
    known = {r.clause.text: r.selectivity for r in relation.restrictions}
    share = 1.0
    for clause in clauses:
        found = known.get(clause.text)
        if not found:
            return None
        share *= found
    return share


def _existing(priced: Priced, node: ScanNode, reads: ScanReads) -> float:
    """What one execution of the scan costs at the rows that it read (planner cost)."""
    calls = QualCost(0.0, priced.settings.cpu_operator_cost * priced.relation.restriction_calls)
    if isinstance(node, (IndexScanNode, BitmapHeapScanNode)):
        names = [k for k in priced.relation.indexes if k.name == getattr(node, "index_name", None)]
        keys = names[0].keys if names else ()
        plain = tuple(k for k in keys if k is not None) or (priced.relation.relation.columns[0].name,)
        return _with_index(priced, plain, reads.read, reads.executions, calls)
    return cost_seqscan(priced.settings, priced.relation.size, reads.kept, qual=calls).total_cost


def _with_index(
    priced: Priced, columns: tuple[str, ...], rows: float, executions: float, qual: QualCost | None = None
) -> float:
    relation = priced.relation
    share = min(rows / max(relation.size.tuples, 1.0), 1.0)
    return cost_index(
        priced.settings,
        relation.size,
        index_to_build(relation, columns).shape,
        IndexCondition(selectivity=share, boundary_selectivity=share, num_quals=len(columns)),
        rows,
        relation.width,
        total_table_pages=priced.total_table_pages,
        loop_count=executions,
        qual=qual or QualCost(0.0, 0.0),
    ).total_cost
