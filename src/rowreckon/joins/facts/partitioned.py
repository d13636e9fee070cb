"""A partitioned table as the planner saw it: its own statistics, and the rows of the partitions that the plan scans.

Source: set_append_rel_size in optimizer/path/allpaths.c, get_relation_info in optimizer/util/plancat.c. Up to 17 such a
table counts as having as many tuples as rows are expected of it; from 18 on those of its partitions (checked by group
estimates of live servers). A unique index of the whole table tells the planner something from 16 on.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from rowreckon.cost.capabilities import counts_partition_tuples, knows_partitioned_indexes
from rowreckon.frozen import frozen
from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.node_texts import conditions_at, keys_at
from rowreckon.plan.nodes import IndexScanNode
from rowreckon.plan.partitions import Members

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Relation
    from rowreckon.joins.facts.catalog_facts import CatalogFacts
    from rowreckon.joins.facts.known_relation import KnownRelation
    from rowreckon.plan.base import PlanNode
    from rowreckon.plan.tree import PlanTree


@frozen
class PartitionedTable:
    """The table under an alias and its partitions in the plan's order; `rows` and `tuples` as the planner had them."""

    alias: str
    relation: Relation
    members: tuple[KnownRelation, ...]
    rows: float
    tuples: float
    server_major: int

    def proves_unique(self, attnum: int) -> bool:
        """Whether the planner knows that a column has no value twice in the whole table."""
        keys = self.relation.unique_keys
        proven = any(k.columns == (attnum,) and not k.deferrable for k in keys)
        return proven and knows_partitioned_indexes(self.server_major)

    def follows_bounds(self, order: tuple[str, ...]) -> bool:
        """Whether rows in the order of these columns come partition by partition: they begin with the key of a table
        that is partitioned by range, once, without a default partition (partitions_are_ordered in
        partitioning/partbounds.c)."""
        keys = {f"RANGE ({', '.join(order[:count])})" for count in range(1, len(order) + 1)}
        if self.relation.partition_key not in keys:
            return False
        return all(
            m.relation.parent == self.relation.oid and m.relation.partition_bound != "DEFAULT" for m in self.members
        )


def known_table(alias: str, known: CatalogFacts, tree: PlanTree) -> PartitionedTable | None:
    """The partitioned table under an alias, None where the plan or the catalog does not tell enough of it."""
    named = Members(tree)
    numbers = named.scans_of(alias)
    whole = named.whole_of(numbers[0]) if numbers else None
    if whole is None or getattr(tree.nodes[whole.append], "subplans_removed", None):
        return None  # what pruned partitions were expected to give is not told
    needed = _needed(alias, tree)
    members = tuple(_with_columns(m, needed, tree.nodes[n]) for n in numbers if (m := known.relation_of(n)) is not None)
    parent = _parent(alias, members, known)
    if len(members) < len(numbers) or parent is None:
        return None
    rows = sum(m.rows for m in members)
    major = known.catalog.server_version // 10000
    tuples = sum(m.size.tuples for m in members) if counts_partition_tuples(major) else rows
    return PartitionedTable(alias, parent, members, rows, tuples, major)


def pruned_table(member: KnownRelation, known: CatalogFacts) -> PartitionedTable | None:
    """The uppermost table of which a relation is the only partition left, None where it is a partition of none."""
    above, parent = member.relation.parent, None
    while above is not None and (relation := known.catalog.relation(above)) is not None:
        parent, above = relation, relation.parent
    if parent is None:
        return None
    tuples = member.size.tuples if counts_partition_tuples(known.server_major) else member.rows
    return PartitionedTable(member.alias, parent, (member,), member.rows, tuples, known.server_major)


def _parent(alias: str, members: tuple[KnownRelation, ...], known: CatalogFacts) -> Relation | None:
    """The table that the query names: the one parent of all, or of several the one called by its own name."""
    shared: list[Relation] | None = None
    for member in members:
        line: list[Relation] = []
        above = member.relation.parent
        while above is not None and (relation := known.catalog.relation(above)) is not None:
            line.append(relation)
            above = relation.parent
        shared = line if shared is None else [r for r in shared if r in line]
    if not shared:
        return None
    named = [r for r in shared if r.name == alias]
    return named[0] if named else (shared[0] if len(shared) == 1 else None)


def _with_columns(member: KnownRelation, needed: frozenset[str] | None, scan: PlanNode) -> KnownRelation:
    """The partition with the columns that the plan needs of it: what the table is asked for and its own conditions."""
    if needed is None:
        only = scan.index_name if isinstance(scan, IndexScanNode) and scan.node_type == "Index Only Scan" else None
        covered = next((i.covered for i in member.indexes if i.name == only), None)
        return replace(member, columns=covered)
    own = {c.column for r in member.restrictions for c in r.clause.columns}
    return replace(member, columns=needed | own)


def _needed(alias: str, tree: PlanTree) -> frozenset[str] | None:
    """The columns of the table that anything above its partitions names; None where EXPLAIN was not VERBOSE."""
    if tree.nodes[0].output is None:
        return None
    found: set[str] = set()
    for node in tree.nodes:
        for text in (*(node.output or ()), *conditions_at(node), *keys_at(node)):
            found.update(c.column for c in parse_condition(text).columns if c.table == alias)
    return frozenset(found)
