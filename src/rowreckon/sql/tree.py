"""Walking a tree of PostgreSQL's grammar: every message of every field, so that no place is forgotten."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from google.protobuf.message import Message


def every_message(root: Message) -> Iterator[Message]:
    """The message and all messages inside it, in the order of their fields."""
    stack = [root]
    while stack:
        message = stack.pop()
        yield message
        inside: list[Message] = []
        for field, value in message.ListFields():
            if field.message_type is not None:
                inside.extend(value if field.is_repeated else (value,))
        stack.extend(reversed(inside))


def columns_outside_calls(root: Message) -> Iterator[Message]:
    """The column references that stand in no function's or aggregate's argument, nor in a subquery."""
    stack = [root]
    while stack:
        message = stack.pop()
        if kind_of(message) == "ColumnRef":
            yield message
        elif kind_of(message) not in ("FuncCall", "SubLink"):
            for field, value in message.ListFields():
                if field.message_type is not None:
                    stack.extend(value if field.is_repeated else (value,))


def kind_of(message: Message) -> str:
    """The message's name in PostgreSQL's sources: FuncCall, RangeVar, …"""
    return str(message.DESCRIPTOR.name)


def inner(node: Message) -> Message | None:
    """What a Node holds; None for an empty one."""
    which = node.WhichOneof("node")
    return None if which is None else getattr(node, which)


def strings(nodes: object) -> tuple[str, ...]:
    """The parts of a name, which the grammar gives as a list of strings; other parts (a star) are left out."""
    return tuple(node.string.sval for node in nodes if node.HasField("string"))  # type: ignore[attr-defined]


def without_casts(node: Any) -> Any:
    """What a Node is once all casts around it are taken off, however many."""
    while node.WhichOneof("node") == "type_cast":
        node = node.type_cast.arg
    return node
