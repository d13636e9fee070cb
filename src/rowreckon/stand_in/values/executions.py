"""Executions of a prepared statement out of a list: their values, and the statement with values for its parameters.

A value is put in as a text of no type, as an application sends it: the server then takes it for the type that the
parameter would have.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rowreckon.sql.tree import every_message, kind_of, without_casts

from .places import literal_value

Values = tuple[str | None, ...]


def values_of(execute: str) -> Values | None:
    """The values of an EXECUTE statement, null as None; None where one of them is no plain literal."""
    from rowreckon.sql.grammar import NotSql, parse

    try:
        tree = parse(execute)
    except NotSql:
        return None
    if len(tree.stmts) != 1 or tree.stmts[0].stmt.WhichOneof("node") != "execute_stmt":
        return None
    nodes = list(tree.stmts[0].stmt.execute_stmt.params)
    found = [literal_value(node) for node in nodes]
    plain = all(v is not None or _is_null(node) for v, node in zip(found, nodes, strict=True))
    return tuple(found) if plain else None


def prepared_query(prepare: str) -> str | None:
    """The query of a PREPARE statement, its parameters cast to the types that it names; None for another statement."""
    from rowreckon.sql.grammar import NotSql, parse, printed

    try:
        tree = parse(prepare)
        if len(tree.stmts) != 1 or tree.stmts[0].stmt.WhichOneof("node") != "prepare_stmt":
            return None
        prepared = tree.stmts[0].stmt.prepare_stmt
        for place in _parameters(prepared.query):
            number = place.param_ref.number
            if 0 < number <= len(prepared.argtypes):
                _cast(place, prepared.argtypes[number - 1].type_name)
        inside = parse("SELECT")
        inside.stmts[0].stmt.CopyFrom(prepared.query)
        return printed(inside)
    except NotSql:
        return None


def with_values(query: str, values: Sequence[str | None]) -> str | None:
    """The query with these values in its parameters' places; None where it has more parameters, or can't be read."""
    from rowreckon.sql.grammar import NotSql, parse, printed

    try:
        tree = parse(query)
        for place in _parameters(tree):
            if not 0 < place.param_ref.number <= len(values):
                return None
            _put(place, values[place.param_ref.number - 1])
        return printed(tree)
    except NotSql:
        return None


def has_parameters(query: str) -> bool:
    """Whether the query has parameters; not so where it can't be read."""
    from rowreckon.sql.grammar import NotSql, parse

    try:
        return bool(_parameters(parse(query)))
    except NotSql:
        return False


def _parameters(tree: Any) -> list[Any]:
    """The nodes that hold a parameter."""
    return [m for m in every_message(tree) if kind_of(m) == "Node" and m.WhichOneof("node") == "param_ref"]


def _cast(node: Any, type_name: Any) -> None:
    """A type that is unknown says that the server is to find one."""
    if [name.string.sval for name in type_name.names] == ["unknown"]:
        return
    number = node.param_ref.number
    node.Clear()
    node.type_cast.arg.param_ref.number = number
    node.type_cast.type_name.CopyFrom(type_name)


def _put(node: Any, value: str | None) -> None:
    node.Clear()
    if value is None:
        node.a_const.isnull = True
    else:
        node.a_const.sval.SetInParent()
        node.a_const.sval.sval = value


def _is_null(node: Any) -> bool:
    node = without_casts(node)
    return node.WhichOneof("node") == "a_const" and bool(node.a_const.isnull)
