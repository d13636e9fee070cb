"""The columns behind a join's equality clauses and behind grouping keys."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.causes.defaults import DISTINCT
from rowreckon.causes.scans import is_base_scan
from rowreckon.causes.site import Context, Key, Site, scan_clauses
from rowreckon.frozen import frozen
from rowreckon.plan.conditions import Clause, ColumnReference, parse_condition

if TYPE_CHECKING:
    from rowreckon.catalog.facts import ColumnStatistics


@frozen
class KeyPair:
    """Both sides of one equality clause; a side is None where it is no plain column of a base relation."""

    clause: Clause
    left: Key | None
    right: Key | None

    @property
    def aliases(self) -> frozenset[str]:
        """The aliases that the clause joins."""
        return self.clause.tables


def key_pairs(site: Site, context: Context) -> list[KeyPair]:
    """The equality clauses of a join or of a parameterised scan, with their columns resolved."""
    pairs: list[KeyPair] = []
    for clause in site.joined:
        if not clause.is_equality:
            continue
        pairs.append(KeyPair(clause, _key_of(clause.left_column, context), _key_of(clause.right_column, context)))
    return pairs


def only_pair(pairs: list[KeyPair]) -> KeyPair | None:
    """The pair of columns that all clauses compare; None where there are several, or none."""
    return pairs[0] if len({str(p.clause.columns) for p in pairs}) == 1 else None


def is_unique(key: Key) -> bool:
    """Whether the catalog shows every value of the column to be distinct: by a key or a unique index."""
    relation = key.relation
    column = relation.column(key.column) if relation is not None else None
    if relation is None or column is None:
        return False
    declared = any(k.columns == (column.attnum,) and not k.deferrable for k in relation.unique_keys)
    indexed = any(
        i.unique and i.immediate and i.valid and not i.partial and [k.attnum for k in i.keys] == [column.attnum]
        for i in relation.indexes
    )
    return declared or indexed


def distinct_values(key: Key) -> float | None:
    """Distinct values of the key's column by the statistics, of the whole table where it is partitioned."""
    statistics = _statistics(key)
    if statistics is None or key.relation is None:
        return None
    rows = key.relation.reltuples or 0.0
    return statistics.n_distinct if statistics.n_distinct > 0 else -statistics.n_distinct * rows


def is_unique_by_sample(key: Key) -> bool:
    """Whether ANALYZE met no value twice, as with a key of a partitioned table that no constraint makes unique alone.

    Such a column has no common values either, so that lists of them can't help.
    """
    statistics = _statistics(key)
    return statistics is not None and statistics.n_distinct <= _HARDLY_TWICE


def reads_whole(context: Context, number: int, key: Key) -> bool:
    """Whether a node is fed by the key's table alone, and nothing below or at it leaves a row out."""
    tree = context.tree
    below = tree.subtree(number)
    scans = [n for n in below if is_base_scan(tree.nodes[n])]
    if not scans or not set(scans) <= set(context.scans.get(key.alias, ())):
        return False
    if any(scan_clauses(tree, n) for n in scans):
        return False
    return not any(tree.nodes[n].node_type == "Limit" or getattr(tree.nodes[n], "filter", None) for n in below)


_HARDLY_TWICE = -0.99
"""n_distinct as a share of the rows, from which on values hardly repeat; -1 is what a unique column gets."""


def _statistics(key: Key) -> ColumnStatistics | None:
    relation = key.relation
    column = relation.column(key.column) if relation is not None else None
    if relation is None or column is None:
        return None
    return column.statistics_of(inherited=relation.kind == "partitioned_table")


def _key_of(reference: ColumnReference | None, context: Context) -> Key | None:
    return None if reference is None else context.key(reference)


def join_keys(site: Site, context: Context) -> list[Key]:
    """All plain columns that a site's equality join clauses name."""
    found: dict[tuple[str, str], Key] = {}
    for pair in key_pairs(site, context):
        for key in (pair.left, pair.right):
            if key is not None:
                found.setdefault((key.alias, key.column), key)
    return list(found.values())


def group_keys(site: Site, context: Context) -> list[Key]:
    """The grouping keys that are plain columns of base relations."""
    found = [plain_key(text, site, context) for text in site.group_keys]
    return [k for k in found if k is not None]


def plain_key(text: str, site: Site, context: Context) -> Key | None:
    """The column behind one grouping key; None for an expression or a subquery's output."""
    condition = parse_condition(text)
    if not condition.parsed or len(condition.clauses) != 1:
        return None
    clause = condition.clauses[0]
    if clause.operator or clause.functions or len(clause.columns) != 1:
        return None
    if any(mark in clause.text for mark in "+-*/%|(:[") and '"' not in clause.text:
        return None
    return context.key(clause.columns[0], below=site.number)


def is_expression(text: str) -> bool:
    """Whether a grouping key computes something from columns."""
    condition = parse_condition(text)
    if not condition.parsed or len(condition.clauses) != 1:
        return False
    clause = condition.clauses[0]
    computes = bool(clause.operator or clause.functions) or any(m in clause.text for m in "+-*/%|(:[")
    return bool(clause.columns) and computes


def joins_by_default(site: Site, context: Context) -> bool:
    """Whether an inner join on one equality was expected to keep one pair in 200, as without statistics."""
    outer, inner = context.tree.outer(site.number), context.tree.inner(site.number)
    if site.kind != "join" or outer is None or inner is None or len(site.joined) != 1:
        return False
    counts = context.evidence.reckoned.counts
    sides = [counts[n].estimate or 0.0 for n in (outer, inner)]
    expected = sides[0] * sides[1] / DISTINCT
    return expected > 100 and abs(site.estimate - expected) <= 0.01 * expected
