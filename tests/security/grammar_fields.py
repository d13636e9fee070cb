"""Which fields of PostgreSQL's parse trees may hold an expression, and in which of them an attack has stood.

The list of nodes and fields is libpg_query's own (the protobuf descriptors that it publishes with its grammar, that of
PostgreSQL 18), so that a field cannot be forgotten: each is either on the way from a statement to the hole in it, or
is named in `excused.py` with the reason why no call can stand there.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import postgast
from postgast import pg_query_pb2

HOLE = "hole_of_this_place()"


def fields() -> set[str]:
    """`Node.field` of everything in a parse tree that holds another node."""
    found: set[str] = set()
    for name, message in pg_query_pb2.DESCRIPTOR.message_types_by_name.items():
        if name != "Node":
            found |= {f"{name}.{field.name}" for field in message.fields if field.message_type is not None}
    return found


def on_the_way(statement: str) -> set[str]:
    """The fields that lie between the roots of this text's statements and the calls of the hole in them."""
    found: set[str] = set()
    for raw in postgast.parse(statement).stmts:
        for way in ways(raw.stmt, ()):
            found.update(way)
    return found


def ways(node: Any, way: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    """The way to each call of the hole below a node, as the fields that it leads through."""
    name = node.DESCRIPTOR.name
    if name == "Node":
        kind = node.WhichOneof("node")
        if kind is not None:
            yield from ways(getattr(node, kind), way)
        return
    if name == "FuncCall" and node.funcname and node.funcname[-1].string.sval == HOLE.removesuffix("()"):
        yield way
    for field, value in node.ListFields():
        if field.message_type is not None:
            for below in value if hasattr(value, "__len__") else [value]:
                yield from ways(below, (*way, f"{name}.{field.name}"))
