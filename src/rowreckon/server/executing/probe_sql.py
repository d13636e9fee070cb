"""Bounded counts of a plan's scans and innermost joins as SQL, made from the conditions that the plan prints. Pure.

The plan is one that this server has just made for a judged query. Its conditions become trees, are checked node by
node and printed; a statement is printed as a whole once more, so that it is one query and nothing else. A scan that
depends on rows from elsewhere has no count of its own. Needs a plan taken with VERBOSE, whose conditions name their
tables.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass

from rowreckon.catalog.request import quoted
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
    """A scan: its FROM item, its alias, the conditions on itself, and those that need another table's row.

    Conditions are clauses as the plan has them, each with the alias that its bare columns belong to.
    """

    source: str
    alias: str
    own: tuple[_Condition, ...]
    others: tuple[_Condition, ...]


_Condition = tuple[str, str | None]


def probe_statements(tree: PlanTree, *, most_rows: int) -> tuple[tuple[int, str], ...]:
    """Node numbers with the query that counts their rows up to `most_rows`; scans first, then innermost joins."""
    scans: dict[int, _Rows] = {}
    for number, node in enumerate(tree.nodes):
        if isinstance(node, ScanNode) and not isinstance(node, BitmapIndexScanNode):
            rows = _scan(tree, number, node)
            if rows is not None:
                scans[number] = rows
    wanted = [(n, _count(r.source, {r.alias}, r.own, most_rows)) for n, r in scans.items() if not r.others]
    wanted.extend((number, _join(tree, number, scans, most_rows)) for number in tree.joins())
    return tuple((number, statement) for number, statement in wanted if statement is not None)


def _count(source: str, aliases: Collection[str], conditions: Iterable[_Condition], most_rows: int) -> str | None:
    """The counting query; None where a condition is not one that may be put into it."""
    from rowreckon.sql.askable import NotAskable, checked
    from rowreckon.sql.expression import printed_expression, read_expression
    from rowreckon.sql.grammar import NotSql, parse, printed

    try:
        where = " and ".join(
            f"({printed_expression(checked(read_expression(text).node, aliases, own_alias=own).node)})"
            for text, own in conditions
        )
        statement = parse(
            f"select pg_catalog.count(*) from (select from {source} where {where or 'true'} limit {int(most_rows)})"
            " as counted"
        )
        if len(statement.stmts) != 1 or statement.stmts[0].stmt.WhichOneof("node") != "select_stmt":
            return None
        return printed(statement)
    except (NotAskable, NotSql):
        return None


def _scan(tree: PlanTree, number: int, node: ScanNode) -> _Rows | None:
    if not node.relation_name or not node.alias or not node.schema_name:
        return None
    texts = [node.filter, node.tid_cond]
    if isinstance(node, IndexScanNode):
        texts.append(node.index_cond)
    if isinstance(node, BitmapHeapScanNode):
        texts.append(node.recheck_cond)
    own: list[_Condition] = []
    others: list[_Condition] = []
    for text in filter(None, texts):
        condition = parse_condition(text)
        if not condition.parsed:
            return None
        for clause in condition.clauses:
            tables = {c.table or node.alias for c in clause.columns}
            if clause.subplans or clause.parameters:
                return None
            (own if tables <= {node.alias} else others).append((clause.text, node.alias))
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
        if not condition.parsed or any(c.subplans or c.parameters for c in condition.clauses):
            return None
        conditions.extend((clause.text, None) for clause in condition.clauses)
    if one.alias == other.alias:
        return None
    return _count(f"{one.source} cross join {other.source}", {one.alias, other.alias}, conditions, most_rows)


def _beneath(tree: PlanTree, number: int) -> int:
    while isinstance(tree.nodes[number], _WRAPPERS) and len(tree.inputs(number)) == 1:
        number = tree.inputs(number)[0]
    return number
