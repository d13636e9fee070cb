"""Bounded counts of a plan's scans and innermost joins as SQL, made from the conditions that the plan prints. Pure.

Only what is safe to put into a statement is used; a scan that depends on rows from elsewhere has no count of its own.
Needs a plan taken with VERBOSE, whose conditions name their tables.
"""

from __future__ import annotations

from dataclasses import dataclass

from rowreckon.catalog.wanted import quoted, safe_expression
from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.nodes import (
    BitmapHeapScanNode,
    BitmapIndexScanNode,
    HashNode,
    IndexScanNode,
    JoinNode,
    MaterializeNode,
    MemoizeNode,
    ScanNode,
    SortNode,
)
from rowreckon.plan.tree import PlanTree

_WRAPPERS = (HashNode, SortNode, MaterializeNode, MemoizeNode)


@dataclass(frozen=True, slots=True)
class _Rows:
    """A scan: its FROM item, its alias, the conditions on itself, and those that need another table's row."""

    source: str
    alias: str
    own: tuple[str, ...]
    others: tuple[str, ...]


def probe_statements(tree: PlanTree, *, most_rows: int) -> tuple[tuple[int, str], ...]:
    """Node numbers with the query that counts their rows up to `most_rows`; scans first, then innermost joins."""
    scans: dict[int, _Rows] = {}
    for number, node in enumerate(tree.nodes):
        if isinstance(node, ScanNode) and not isinstance(node, BitmapIndexScanNode):
            rows = _scan(tree, number, node)
            if rows is not None:
                scans[number] = rows
    found = [(n, _count(r.source, r.own, most_rows)) for n, r in scans.items() if not r.others]
    for number in tree.joins():
        statement = _join(tree, number, scans, most_rows)
        if statement is not None:
            found.append((number, statement))
    return tuple(found)


def _count(source: str, conditions: tuple[str, ...], most_rows: int) -> str:
    where = " and ".join(f"({c})" for c in conditions) or "true"
    return f"select count(*) from (select from {source} where {where} limit {int(most_rows)}) as counted"


def _scan(tree: PlanTree, number: int, node: ScanNode) -> _Rows | None:
    if not node.relation_name or not node.alias or not node.schema_name:
        return None
    texts = [node.filter, node.tid_cond]
    if isinstance(node, IndexScanNode):
        texts.append(node.index_cond)
    if isinstance(node, BitmapHeapScanNode):
        texts.append(node.recheck_cond)
    own: list[str] = []
    others: list[str] = []
    for text in filter(None, texts):
        condition = parse_condition(text)
        if not condition.parsed:
            return None
        for clause in condition.clauses:
            tables = {c.table or node.alias for c in clause.columns}
            if clause.subplans or clause.parameters or not safe_expression(clause.text):
                return None
            (own if tables <= {node.alias} else others).append(clause.text)
    # a plan lists partitions and children one by one, so that each scan reads its relation only
    source = f"only {quoted(node.schema_name, node.relation_name)} as {quoted(node.alias)}"
    return _Rows(source, node.alias, tuple(own), tuple(others))


def _join(tree: PlanTree, number: int, scans: dict[int, _Rows], most_rows: int) -> str | None:
    """An inner join of two scans."""
    node = tree.nodes[number]
    assert isinstance(node, JoinNode)
    if node.join_type != "Inner" or node.filter:
        return None
    sides = [scans.get(_beneath(tree, side)) for side in (tree.outer(number), tree.inner(number)) if side is not None]
    if len(sides) != 2 or sides[0] is None or sides[1] is None:
        return None
    one, other = sides[0], sides[1]
    conditions = [*one.own, *other.own, *one.others, *other.others]
    for text in filter(None, (node.join_filter, getattr(node, "hash_cond", None), getattr(node, "merge_cond", None))):
        condition = parse_condition(text)
        if not condition.parsed:
            return None
        for clause in condition.clauses:
            if clause.subplans or clause.parameters or not safe_expression(clause.text):
                return None
            conditions.append(clause.text)
    aliases = {one.alias, other.alias}
    used = {c.table for text in conditions for c in parse_condition(text).columns if c.table}
    if len(aliases) != 2 or not used <= aliases:
        return None
    return _count(f"{one.source} cross join {other.source}", tuple(conditions), most_rows)


def _beneath(tree: PlanTree, number: int) -> int:
    while isinstance(tree.nodes[number], _WRAPPERS) and len(tree.inputs(number)) == 1:
        number = tree.inputs(number)[0]
    return number
