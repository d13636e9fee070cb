"""Temporary tables of a query list: which statement makes one, and which queries read it.

They are not replayed: each query gets a transaction of its own, on copies that no session has filled. A query that
reads one is not run, since a permanent table of the same name would take its place unnoticed.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING, Any

from rowreckon.sql.tree import every_message, kind_of, strings

if TYPE_CHECKING:
    from google.protobuf.message import Message

_SCHEMA = "pg_temp"


def made_temporary(tree: Any) -> str | None:
    """The name of the temporary table or view that a statement makes (without its schema); None if it makes none."""
    relation = _made(tree)
    if relation is None or not (relation.relpersistence == "t" or relation.schemaname == _SCHEMA):
        return None
    return str(relation.relname)


def dropped(tree: Message | None, made: Collection[str]) -> frozenset[str]:
    """Which of these temporary tables a statement takes away."""
    if tree is None:
        return frozenset()
    if kind_of(tree) == "DiscardStmt":
        return frozenset(made)
    if kind_of(tree) != "DropStmt":
        return frozenset()
    lists: list[Any] = [message for message in every_message(tree) if kind_of(message) == "List"]
    names = {strings(found.items)[-1] for found in lists if strings(found.items)}
    return frozenset(names & set(made))


def read_by(tree: Message | None, names: Collection[str]) -> str | None:
    """The first of these tables that a query names; None if it names none of them."""
    if tree is None:
        return None
    messages: list[Any] = list(every_message(tree))
    own = {m.ctename for m in messages if kind_of(m) == "CommonTableExpr"}
    for message in messages:
        if kind_of(message) != "RangeVar" or message.relname not in names:
            continue
        if message.schemaname == _SCHEMA or (not message.schemaname and message.relname not in own):
            return str(message.relname)
    return None


def _made(tree: Any) -> Any:
    """The relation that a statement makes."""
    kind = kind_of(tree)
    if kind == "CreateStmt":
        return tree.relation
    if kind == "ViewStmt":
        return tree.view
    if kind == "CreateTableAsStmt":
        return tree.into.rel
    if kind == "SelectStmt":
        into: list[Any] = [message for message in every_message(tree) if kind_of(message) == "IntoClause"]
        return into[0].rel if into else None
    return None
