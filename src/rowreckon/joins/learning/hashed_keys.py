"""How many different values a hashed or searched column has at least, by what a join expects.

A search of an index by the column alone is expected to find the rows of one value.

The rows of a hash bucket (see `bucket_rows`) bound how many share a value, in the whole table: the filter's share of
the rows is taken for that of the values.
Source: estimate_hash_bucket_stats in utils/adt/selfuncs.c; releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from rowreckon.joins.facts.output_texts import is_column
from rowreckon.joins.facts.sides import Aliases, JoinFacts, join_facts
from rowreckon.joins.from_plan.bucket_rows import bucket_rows
from rowreckon.joins.from_plan.inner_sizes import range_quals_of
from rowreckon.joins.learning.table_scans import Reading
from rowreckon.learned.facts import ColumnName, Source, relation_name
from rowreckon.plan.nodes import IndexScanNode, ScanNode

_BY_DEFAULT = 10.5
"""Values that a bucket is taken for without statistics, and what rounding adds: as few tell nothing."""


class HashedEvidence(NamedTuple):
    """How many rows share a value of a column on average, at most."""

    column: ColumnName
    per_value: float
    source: Source


def hashed_in(reading: Reading) -> Iterator[HashedEvidence]:
    """What the hash joins of a plan tell of the columns that they hash."""
    if not reading.settings_told:
        return
    tree = reading.reckoned.tree
    aliases = Aliases(tree)
    for number in tree.joins():
        taken = tree.nodes[number].node_type
        if taken not in ("Hash Join", "Nested Loop"):
            continue
        facts = join_facts(reading.reckoned, number, aliases)
        column = _column(reading, facts)
        found = _per_value if taken == "Hash Join" else _searched
        per_value = found(reading, facts) if column is not None else None
        if column is not None and per_value is not None:
            yield HashedEvidence(column, per_value, Source(reading.plan, taken.lower(), reading.seen_at))


def _searched(reading: Reading, facts: JoinFacts) -> float | None:
    """The rows that a search by the column finds, None where it asks for more than the column."""
    node = reading.reckoned.tree.nodes[facts.inner.node]
    if not isinstance(node, IndexScanNode) or node.filter or facts.clauses[0].place != "index" or facts.inner_unique:
        return None
    if range_quals_of(reading.reckoned, facts) != 0 or facts.workers:
        return None
    return float(node.plan_rows or 0.0) + 0.5


def _column(reading: Reading, facts: JoinFacts) -> ColumnName | None:
    node = reading.reckoned.tree.nodes[facts.inner.node]
    if len(facts.clauses) != 1 or facts.inner.scan != facts.inner.node or not isinstance(node, ScanNode):
        return None
    column, relation = facts.clauses[0].inner_column, relation_name(node.schema_name, node.relation_name)
    if column is None or relation is None or not is_column(facts.clauses[0].inner_text):
        return None
    return ColumnName(relation, column.column)


def _per_value(reading: Reading, facts: JoinFacts) -> float | None:
    most = bucket_rows(reading.settings, reading.reckoned.tree, facts)
    # a bucket holds at least one value and one row: where it may hold all, more values or fewer cost the same
    return most if most is not None and facts.inner.planner_rows > _BY_DEFAULT * most else None
