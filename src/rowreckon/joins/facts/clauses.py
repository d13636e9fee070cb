"""The clauses that join two sides, wherever EXPLAIN prints them, with each side's text and column.

A hash or merge join prints them at the join; a nested loop may push them down into the inner side's index
condition or filter, where the scan's own columns stand without a table name.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Literal

from rowreckon.frozen import frozen
from rowreckon.plan.conditions import Clause, ColumnReference, parse_condition
from rowreckon.plan.nodes import BitmapHeapScanNode, BitmapIndexScanNode, JoinNode, ScanNode
from rowreckon.plan.partitions import Members
from rowreckon.plan.tree import PlanTree, alias_of
from rowreckon.sql.spelling import with_alias

Place = Literal["hash", "merge", "filter", "index", "scan_filter"]
_TURNED = {"=": "=", "<": ">", ">": "<", "<=": ">=", ">=": "<=", "<>": "<>"}


@frozen
class JoinClause:
    """One join clause with its sides named as the executed join took them.

    `place` says where it is enforced: as a hash or merge clause, as the join's filter, or inside the inner side by
    an index or a scan's filter; `inner_node` is that scan. Columns are None where the side is an expression.
    """

    text: str
    shown: str
    place: Place
    operator: str
    is_equality: bool
    outer_text: str
    inner_text: str
    outer_column: ColumnReference | None
    inner_column: ColumnReference | None
    outer_alias: str | None = None
    inner_alias: str | None = None
    inner_node: int | None = None


def clauses_of(
    tree: PlanTree,
    number: int,
    outer: int,
    inner: int,
    below: Callable[[str | None, int], bool],
    members: Members,
) -> tuple[JoinClause, ...]:
    """The clauses of the join at `number`; `below` tells whether an alias stands in a subtree.

    What each partition of an inner table enforces by itself is one clause, of the table.
    """
    node = tree.nodes[number]
    assert isinstance(node, JoinNode)
    found: dict[str, JoinClause] = {}
    places: tuple[tuple[Place, str | None], ...] = (
        ("hash", node.hash_cond),
        ("merge", node.merge_cond),
        ("filter", node.join_filter),
    )
    for place, text in places:
        for clause in parse_condition(text).clauses if text else ():
            found.setdefault(clause.text, _turn(clause, place, None, None, outer, inner, below))
    if node.node_type == "Nested Loop":
        for at, place, text in _pushed_down(tree, inner):
            owner = tree.nodes[at]
            while not isinstance(owner, ScanNode) and tree.parent[at] >= inner:
                at = tree.parent[at]
                owner = tree.nodes[at]
            alias = alias_of(owner)
            for clause in parse_condition(text).clauses:
                if any(below(c.table, outer) and not below(c.table, inner) for c in clause.columns):
                    pushed = _turn(clause, place, alias, at, outer, inner, below)
                    whole = members.whole_of(at)
                    if whole is not None and whole.append >= inner and alias is not None:
                        pushed = _of_table(pushed, alias, whole.alias)
                    found.setdefault(pushed.text, pushed)
    return tuple(found.values())


def _of_table(clause: JoinClause, member: str, table: str) -> JoinClause:
    """A partition's clause as the table's."""
    inner = clause.inner_column
    return replace(
        clause,
        text=with_alias(clause.text, member, table),
        shown=with_alias(clause.shown, member, table),
        inner_text=with_alias(clause.inner_text, member, table),
        inner_column=inner if inner is None or inner.table != member else ColumnReference(table, inner.column),
        inner_alias=table if clause.inner_alias == member else clause.inner_alias,
    )


def _pushed_down(tree: PlanTree, inner: int) -> Iterator[tuple[int, Place, str]]:
    """Conditions inside the inner side that may compare with outer columns."""
    for at in tree.subtree(inner):
        node = tree.nodes[at]
        if node.filter is None and not isinstance(node, (ScanNode, BitmapIndexScanNode)):
            continue
        index_cond = getattr(node, "index_cond", None)
        if isinstance(index_cond, str):
            yield at, "index", index_cond
        tid_cond = getattr(node, "tid_cond", None)
        if isinstance(tid_cond, str):
            yield at, "index", tid_cond
        if node.filter is not None and not (isinstance(node, BitmapHeapScanNode) and node.filter == node.recheck_cond):
            yield at, "scan_filter", node.filter


def _turn(
    clause: Clause,
    place: Place,
    own_alias: str | None,
    inner_node: int | None,
    outer: int,
    inner: int,
    below: Callable[[str | None, int], bool],
) -> JoinClause:
    def of_inner(columns: tuple[ColumnReference, ...]) -> bool:
        return bool(columns) and all((c.table or own_alias) == own_alias or below(c.table, inner) for c in columns)

    def of_outer(columns: tuple[ColumnReference, ...]) -> bool:
        return bool(columns) and all(c.table is not None and below(c.table, outer) for c in columns)

    left, right = clause.left_columns, clause.right_columns
    turned = of_inner(left) and of_outer(right) and not (of_outer(left) and of_inner(right))
    outer_text, inner_text = clause.left_text, clause.right_text
    outer_column, inner_column = clause.left_column, clause.right_column
    outer_columns, inner_columns = left, right
    operator = clause.operator
    if turned:
        outer_text, inner_text = inner_text, outer_text
        outer_column, inner_column = inner_column, outer_column
        outer_columns, inner_columns = inner_columns, outer_columns
        operator = _TURNED.get(operator, operator)
    if inner_column is not None and inner_column.table is None and own_alias is not None:
        inner_column = ColumnReference(own_alias, inner_column.column)
    return JoinClause(
        text=clause.text,
        shown=clause.text if clause.text.startswith("(") else f"({clause.text})",
        place=place,
        operator=operator,
        is_equality=clause.is_equality and bool(left) and bool(right),
        outer_text=outer_text,
        inner_text=inner_text,
        outer_column=outer_column,
        inner_column=inner_column,
        outer_alias=_only_table(outer_columns, None),
        inner_alias=_only_table(inner_columns, own_alias),
        inner_node=inner_node,
    )


def _only_table(columns: tuple[ColumnReference, ...], own_alias: str | None) -> str | None:
    """The one alias that all columns carry, None where there are several or none."""
    names = {c.table or own_alias for c in columns}
    return next(iter(names)) if len(names) == 1 else None
