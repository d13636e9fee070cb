"""The FROM clauses of a query: each with what stands in it, and how the relations of a plan belong to that."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from rowreckon.frozen import frozen
from rowreckon.sql.tree import every_message, kind_of, strings
from rowreckon.stand_in.scope import Scope

ColumnsOf = Callable[[str | None, str], frozenset[str] | None]
"""The names of a relation's columns by its schema (or None) and name; None where it is not known."""


@frozen
class Item:
    """One entry of a FROM clause.

    `node` is its tree; `inside` are the aliases that a plan shows for it: its own, or those of its subquery. `relation`
    is (schema or None, name) of a table, `function` a function's name, `select` a subquery's SelectStmt.
    """

    alias: str
    node: Any
    inside: frozenset[str]
    relation: tuple[str | None, str] | None = None
    function: str | None = None
    select: Any = None


@frozen
class Level:
    """A SELECT with its FROM clause: `hidden` are the relations of subqueries in its conditions."""

    select: Any
    items: dict[str, Item]
    scope: Scope
    hidden: Scope

    def covering(self, aliases: frozenset[str]) -> frozenset[str] | None:
        """The items that these relations of a plan make up; None where they are no whole items of this level.

        Relations of subqueries in the conditions may be among them: such a subquery became a join.
        """
        rest = set(aliases)
        found: set[str] = set()
        for item in self.items.values():
            if item.inside & aliases:
                if not item.inside <= aliases:
                    return None
                found.add(item.alias)
                rest -= item.inside
        return frozenset(found) if found and rest <= set(self.hidden.columns) else None


def levels(tree: Any, columns_of: ColumnsOf) -> list[Level]:
    """Every SELECT with a FROM clause, the outermost first."""
    found: list[Level] = []
    for message in every_message(tree):
        if kind_of(message) != "SelectStmt" or not message.from_clause:
            continue
        select: Any = message
        items = {item.alias: item for node in select.from_clause for item in items_of(node)}
        inner = relations_in(select.where_clause)
        found.append(
            Level(
                select,
                items,
                Scope({item.alias: _columns(item, columns_of) for item in items.values()}),
                Scope({alias: columns_of(*name) for alias, name in inner if alias not in items}),
            )
        )
    return found


def _columns(item: Item, columns_of: ColumnsOf) -> frozenset[str] | None:
    return columns_of(*item.relation) if item.relation is not None else None


def items_of(node: Any) -> Iterable[Item]:
    """What a FROM entry holds: itself, or the entries that it joins."""
    kind = node.WhichOneof("node")
    if kind == "join_expr":
        yield from items_of(node.join_expr.larg)
        yield from items_of(node.join_expr.rarg)
    elif kind == "range_var":
        alias, name = _relation(node.range_var)
        yield Item(alias, node, frozenset({alias}), relation=name)
    elif kind == "range_subselect":
        part = node.range_subselect
        inside = frozenset(alias for alias, _ in relations_in(part.subquery))
        alias = part.alias.aliasname
        yield Item(alias, node, inside or frozenset({alias}), select=part.subquery.select_stmt)
    elif kind == "range_function":
        part = node.range_function
        calls = [strings(m.funcname) for m in every_message(part) if kind_of(m) == "FuncCall"]
        function = calls[0][-1] if calls and calls[0] else ""
        alias = part.alias.aliasname or function
        yield Item(alias, node, frozenset({alias}), function=function)


def _relation(part: Any) -> tuple[str, tuple[str | None, str]]:
    return part.alias.aliasname or part.relname, (part.schemaname or None, part.relname)


def relations_in(node: Any) -> list[tuple[str, tuple[str | None, str]]]:
    """Every relation that a tree names, by its alias, with its schema (or None) and name."""
    return [_relation(message) for message in every_message(node) if kind_of(message) == "RangeVar"]
