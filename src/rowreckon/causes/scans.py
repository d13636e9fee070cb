"""The base relations of a plan: which scan stands for which alias, and how many rows each relation really holds.

A sequential scan that ran to its end proves its relation's row total: the rows it kept plus the rows its filter
removed. The planner's own idea of that total can be read off the scan's cost where the page count is known.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from rowreckon.counts.interval import Interval, actual_interval
from rowreckon.frozen import frozen
from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.nodes import AppendNode, ScanNode
from rowreckon.plan.plain_condition import plain_clauses
from rowreckon.remedies.subject import TableName
from rowreckon.sql.questions import operators_and_lists

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.catalog.facts import Catalog, Relation
    from rowreckon.counts import ReckonedTree
    from rowreckon.plan.base import PlanNode
    from rowreckon.plan.tree import PlanTree

_OPERATOR_COST = 0.0025
_TUPLE_COST = 0.01
_HASHED_LIST = 9
_PARTITION_ALIAS = re.compile(r"(?P<parent>.+)_\d+$")


@frozen
class PlannedTotal:
    """The planner's idea of a relation's rows: an interval, and where it was read."""

    rows: Interval
    source: str


def is_base_scan(node: PlanNode) -> bool:
    """Whether a node reads one named relation, foreign tables included."""
    return isinstance(node, ScanNode) and bool(node.relation_name)


def table_of(node: PlanNode, relation: Relation | None = None) -> TableName | None:
    """The relation that a scan reads, with the schema where the plan or the catalog tells it."""
    if not isinstance(node, ScanNode) or not node.relation_name:
        return None
    if relation is not None:
        return name_of(relation)
    return TableName(node.relation_name, node.schema_name)


def name_of(relation: Relation) -> TableName:
    """A relation's name as statements can use it: a temporary schema's own name holds in one session only."""
    return TableName(relation.name, "pg_temp" if relation.persistence == "temporary" else relation.schema_)


def relation_of(node: PlanNode, catalog: Catalog | None) -> Relation | None:
    """The catalog's facts of the relation that a scan reads."""
    if catalog is None or not isinstance(node, ScanNode) or not node.relation_name:
        return None
    return catalog.relation(node.relation_name, node.schema_name)


def aliases(tree: PlanTree) -> dict[str, tuple[int, ...]]:
    """Scans by alias. The alias of a partitioned table, which no scan bears itself, names its partitions' scans."""
    found: dict[str, list[int]] = {}
    for number, node in enumerate(tree.nodes):
        if isinstance(node, ScanNode) and node.alias:
            found.setdefault(node.alias, []).append(number)
    for number, node in enumerate(tree.nodes):
        match = _PARTITION_ALIAS.fullmatch(node.alias or "") if isinstance(node, ScanNode) else None
        if match is not None and _is_member(tree, number) and match["parent"] not in found:
            found.setdefault("\0" + match["parent"], []).append(number)
    return {alias.lstrip("\0"): tuple(numbers) for alias, numbers in found.items()}


def _is_member(tree: PlanTree, number: int) -> bool:
    while number > 0 and tree.nodes[number].parent_relationship != "Member":
        if len(tree.inputs(tree.parent[number])) != 1:
            return False
        number = tree.parent[number]
    return number > 0 and isinstance(tree.nodes[tree.parent[number]], AppendNode)


def partition_parent_alias(tree: PlanTree, number: int) -> str | None:
    """The alias of the partitioned table whose partition a scan reads; None for a scan that is no member."""
    node = tree.nodes[number]
    if not isinstance(node, ScanNode) or not _is_member(tree, number):
        return None
    match = _PARTITION_ALIAS.fullmatch(node.alias or "")
    return match["parent"] if match is not None else None


def actual_totals(reckoned: ReckonedTree) -> dict[TableName, Interval]:
    """Rows that relations really hold, proven by complete sequential scans; per execution."""
    found: dict[TableName, Interval] = {}
    for number, node in enumerate(reckoned.tree.nodes):
        if node.node_type != "Seq Scan" or reckoned.counts[number].state != "exact":
            continue
        table = table_of(node)
        total = _scanned_rows(reckoned, number)
        if table is None or total is None:
            continue
        found[table] = total.intersect(found[table]) if table in found else total
    return found


def _scanned_rows(reckoned: ReckonedTree, number: int) -> Interval | None:
    node = reckoned.tree.nodes[number]
    kept = reckoned.counts[number].actual_interval
    if kept is None or node.loops == 0:
        return None
    if node.filter is not None and node.rows_removed_by_filter is None:
        return kept if reckoned.counts[number].actual == 0 else None
    removed = actual_interval(node.rows_removed_by_filter or 0, node.loops, decimals=False)
    executions = executions_of(reckoned, number)
    return Interval((kept.low + removed.low) / executions, (kept.high + removed.high) / executions)


def executions_of(reckoned: ReckonedTree, number: int) -> float:
    """How often a scan ran as a whole: processes that share one scan count once."""
    parallel = reckoned.parallelism
    if parallel.partial[number]:
        return float(reckoned.tree.nodes[parallel.gather[number]].loops or 1)
    return float(reckoned.tree.nodes[number].loops or 1)


def planned_total(
    reckoned: ReckonedTree, number: int, capture: Capture, relation: Relation | None
) -> PlannedTotal | None:
    """The rows that the planner took the scan's relation to hold, None where neither plan nor catalog tell it.

    Without a filter it is the printed estimate. With one it follows from cost_seqscan (costsize.c): pages x
    seq_page_cost + rows x (cpu_tuple_cost + operators x cpu_operator_cost), the pages by BUFFERS.
    """
    node = reckoned.tree.nodes[number]
    least, most = reckoned.parallelism.divisors(number)
    if node.node_type == "Seq Scan" and node.plan_rows is not None:
        if node.filter is None:
            total = Interval(max((node.plan_rows - 0.5) * least, 1.0), (node.plan_rows + 0.5) * most)
            return PlannedTotal(total, "the plan's estimate without a filter")
        solved = _solved_from_cost(reckoned, number, capture, least) if least == most else None
        if solved is not None:
            return PlannedTotal(solved, "the scan's cost and its page count")
    catalog = capture.catalog
    if catalog is not None and relation is not None:
        alias = getattr(node, "alias", None)
        estimate = catalog.estimate(alias, relation.oid) if alias else None
        if estimate is not None and estimate.tuples is not None:
            return PlannedTotal(Interval(estimate.tuples, estimate.tuples), "the planner's answer for the table")
        if relation.reltuples is not None and relation.relpages > 0 and relation.pages is not None:
            rows = relation.reltuples / relation.relpages * relation.pages
            return PlannedTotal(Interval(rows * 0.99, rows * 1.01), "the catalog's row density and the file's size")
    return None


def _solved_from_cost(reckoned: ReckonedTree, number: int, capture: Capture, divisor: float) -> Interval | None:
    node = reckoned.tree.nodes[number]
    if node.total_cost is None or node.shared_hit_blocks is None or node.filter is None or node.loops == 0:
        return None
    settings = capture.settings or {}
    if any(name in settings for name in ("seq_page_cost", "cpu_tuple_cost", "cpu_operator_cost")):
        return None  # rare, and a wrong price would invent a stale table
    condition = parse_condition(node.filter)
    if not condition.parsed or any(c.functions or c.subplans for c in condition.clauses):
        return None  # functions carry costs of their own
    # A temporary table's pages are counted as local ones.
    blocks = (node.shared_hit_blocks, node.shared_read_blocks, node.local_hit_blocks, node.local_read_blocks)
    pages = sum(b or 0 for b in blocks) / executions_of(reckoned, number)
    calls = [_operators(c.text) for c in condition.clauses]
    operators = sum(n for n in calls if n is not None)
    if None in calls:
        return None
    # A divided scan divides the processor's part among the processes, and reads all pages all the same.
    work = node.total_cost - (node.startup_cost or 0.0) - pages
    per_row = (_TUPLE_COST + operators * _OPERATOR_COST) / divisor
    rows = work / per_row
    slack = 0.01 / per_row + 0.5
    return Interval(rows - slack, rows + slack) if rows > 1 else None


def _operators(clause: str) -> float | None:
    """Operator calls per row of one clause, None where the plan does not tell.

    A list of n constants is compared n / 2 times on average (cost_qual_eval_walker); from nine constants on it is
    hashed by newer releases and not by older ones.
    """
    plain = plain_clauses(clause)
    if plain is not None:
        return float(len(plain))
    signs, lists = operators_and_lists(clause)
    return None if any(n >= _HASHED_LIST for n in lists) else signs + sum(n / 2 - 1 for n in lists)
