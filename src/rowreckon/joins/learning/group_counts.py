"""How many different values a column has, by the groups that a plan expects of a whole table.

Grouping a table that nothing filters, by one column, is reckoned to give as many groups as the column's statistics
hold different values. Source: estimate_num_groups in utils/adt/selfuncs.c, releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from rowreckon.cost.units import DEFAULT_NUM_DISTINCT
from rowreckon.joins.facts.output_texts import is_column
from rowreckon.joins.learning.table_scans import Reading
from rowreckon.learned.facts import Bounds, ColumnName, Source, relation_name
from rowreckon.plan.nodes import AggregateNode, IndexScanNode, ScanNode

_WHOLE = frozenset({"Seq Scan", "Index Scan", "Index Only Scan"})


class GroupEvidence(NamedTuple):
    """The different values of a column by one plan's groups."""

    column: ColumnName
    values: Bounds
    source: Source


def groups_in(reading: Reading) -> Iterator[GroupEvidence]:
    """What the groups of a plan tell."""
    for number, node in enumerate(reading.reckoned.tree.nodes):
        if isinstance(node, AggregateNode):
            found = _groups(reading, number, node)
            if found is not None:
                yield found


def _groups(reading: Reading, number: int, node: AggregateNode) -> GroupEvidence | None:
    if node.partial_mode not in (None, "Simple") or node.grouping_sets or node.__dict__.get("filter"):
        return None
    scan = _whole_scan(reading, number)
    keys = node.group_key or ()
    if scan is None or len(keys) != 1 or not is_column(keys[0]):
        return None
    relation = relation_name(scan.schema_name, scan.relation_name)
    groups, rows = float(node.plan_rows or 0.0), float(scan.plan_rows or 0.0)
    # what has no statistics is given so many values by default, which is no one's count
    if relation is None or groups < 1.0 or (groups == DEFAULT_NUM_DISTINCT <= rows):
        return None
    column = ColumnName(relation, keys[0].rsplit(".", 1)[-1].strip('"'))
    return GroupEvidence(column, Bounds(groups, groups), Source(reading.plan, "groups", reading.seen_at))


def _whole_scan(reading: Reading, number: int) -> ScanNode | None:
    """The scan of a whole table below a node, where it only is sorted in between; None where there is none."""
    tree = reading.reckoned.tree
    below = tree.inputs(number)
    while len(below) == 1 and tree.nodes[below[0]].node_type == "Sort":
        below = tree.inputs(below[0])
    node = tree.nodes[below[0]] if len(below) == 1 else None
    if not isinstance(node, ScanNode) or node.node_type not in _WHOLE or node.filter:
        return None
    if isinstance(node, IndexScanNode) and node.index_cond:
        return None
    return node if reading.reckoned.parallelism.divisors(below[0]) == (1.0, 1.0) else None
