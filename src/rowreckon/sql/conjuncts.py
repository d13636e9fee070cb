"""The conditions of a query that all have to be true for a row to count, and what they say of one table.

A condition that stands in WHERE, or in the ON of a join, alone or joined to others by AND, is only asked whether it is
true: false and NULL are the same there. So a condition of the same truth may stand in its place.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from rowreckon.sql.tree import every_message, kind_of, strings


def conjuncts_over(select: Any, alias: str, columns: frozenset[str]) -> Iterator[Any]:
    """The conjuncts of one SelectStmt that name some of these columns of `alias`, and nothing of another table.

    They are nodes of the tree itself, so that another can be written in their place. A column without a table's name
    is that table's, where the query reads it and joins nothing by USING: else the server would call it ambiguous.
    """
    items = [item for item in from_items(select) if name_of(item) == alias]
    if len(items) != 1:
        return
    bare = not any(join.using_clause or join.is_natural for join in joins(select))
    for conjunct in conjuncts(select):
        named = [strings(message.fields) for message in every_message(conjunct) if kind_of(message) == "ColumnRef"]
        if named and all(_is_of(parts, alias, columns, bare=bare) for parts in named):
            yield conjunct


def reads_table(select: Any, alias: str, name: str, schema: str | None) -> bool:
    """Whether the SelectStmt's own FROM has the table of this name under the alias (a WITH of that name apart)."""
    for item in from_items(select):
        if name_of(item) == alias and item.WhichOneof("node") == "range_var":
            table = item.range_var
            return table.relname == name and table.schemaname in ("", schema or "")
    return False


def selects(tree: Any) -> Iterator[Any]:
    """Every SelectStmt of a statement, itself included."""
    return (message for message in every_message(tree) if kind_of(message) == "SelectStmt")


def _is_of(parts: tuple[str, ...], alias: str, columns: frozenset[str], *, bare: bool) -> bool:
    if len(parts) == 1:
        return bare and parts[0] in columns
    return len(parts) == 2 and parts[0] == alias and parts[1] in columns


def from_items(select: Any) -> Iterator[Any]:
    """The tables, subqueries and functions of FROM, those below joins too."""
    waiting = list(select.from_clause)
    while waiting:
        item = waiting.pop()
        if item.WhichOneof("node") == "join_expr":
            waiting += [item.join_expr.larg, item.join_expr.rarg]
        else:
            yield item


def joins(select: Any) -> Iterator[Any]:
    """The JoinExprs of FROM, those below others too."""
    waiting = list(select.from_clause)
    while waiting:
        item = waiting.pop()
        if item.WhichOneof("node") == "join_expr":
            yield item.join_expr
            waiting += [item.join_expr.larg, item.join_expr.rarg]


def name_of(item: Any) -> str | None:
    """The name by which conditions mean an item of FROM; None where it has none, or names its columns anew."""
    kind = item.WhichOneof("node")
    if kind is None:
        return None
    inner = getattr(item, kind)
    if inner.HasField("alias"):
        return None if inner.alias.colnames else str(inner.alias.aliasname)
    return str(inner.relname) if kind == "range_var" else None


def conjuncts(select: Any) -> Iterator[Any]:
    """The conditions of ON and WHERE that all have to be true, as nodes of the tree itself."""
    waiting = [join.quals for join in joins(select) if join.HasField("quals")]
    if select.HasField("where_clause"):
        waiting.append(select.where_clause)
    while waiting:
        node = waiting.pop()
        if node.WhichOneof("node") == "bool_expr" and node.bool_expr.boolop == _AND:
            waiting += node.bool_expr.args
        else:
            yield node


_AND = 1  # BoolExprType.AND_EXPR: the library's enumerations are slow to load
