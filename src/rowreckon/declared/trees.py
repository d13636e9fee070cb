"""Small readings of the grammar's trees: names, types, options, the columns that an expression takes."""

from __future__ import annotations

from typing import Any, Final

from postgast.pg_query_pb2 import Node

from rowreckon.sql.expression import printed_expression
from rowreckon.sql.grammar import NotSql
from rowreckon.sql.tree import every_message, kind_of, strings

_TYPES: Final = {
    "int2": "smallint",
    "int4": "integer",
    "int8": "bigint",
    "int": "integer",
    "bool": "boolean",
    "float4": "real",
    "float8": "double precision",
    "bpchar": "character",
    "varchar": "character varying",
    "varbit": "bit varying",
    "timestamp": "timestamp without time zone",
    "timestamptz": "timestamp with time zone",
    "time": "time without time zone",
    "timetz": "time with time zone",
    "decimal": "numeric",
}
"""Types whose printed name is another than their own; source: format_type in PostgreSQL's utils/adt/format_type.c."""
_SERIAL: Final = {
    "serial": "integer",
    "serial4": "integer",
    "bigserial": "bigint",
    "serial8": "bigint",
    "smallserial": "smallint",
    "serial2": "smallint",
}
_LENGTHS: Final = {
    "smallint": 2,
    "integer": 4,
    "bigint": 8,
    "boolean": 1,
    "real": 4,
    "double precision": 8,
    "date": 4,
    "timestamp without time zone": 8,
    "timestamp with time zone": 8,
    "time without time zone": 8,
    "time with time zone": 12,
    "interval": 16,
    "uuid": 16,
    "oid": 4,
    "money": 8,
    '"char"': 1,
    "name": 64,
    "macaddr": 6,
    "macaddr8": 8,
    "point": 16,
    "box": 32,
    "circle": 24,
    "lseg": 32,
    "line": 24,
    "xid": 4,
    "xid8": 8,
    "tid": 6,
    "pg_lsn": 8,
}


def type_length(printed: str) -> int:
    """pg_type.typlen of a type by its printed name: bytes of a fixed-length type, -1 for any other."""
    return _LENGTHS.get(printed, -1)


def serial_type(type_name: Any) -> str | None:
    """The integer type behind serial and its kin, None for any other type."""
    names = strings(type_name.names)
    return _SERIAL.get(names[-1]) if len(names) == 1 else None


def type_text(type_name: Any) -> str:
    """A type as format_type prints it, as far as that can be told without the type's own catalog entry."""
    names = strings(type_name.names)
    if not names:
        return "unknown"
    own = names[-1] if names[0] == "pg_catalog" or len(names) == 1 else ".".join(names)
    base = _SERIAL.get(own) or _TYPES.get(own, own)
    if own == "char":
        base = '"char"'
    modifiers = [_number(m) for m in type_name.typmods]
    if own == "interval":
        modifiers = []
    if modifiers:
        given = f"({','.join(modifiers)})"
        head, _, tail = base.partition(" ")
        base = f"{head}{given} {tail}" if own.startswith("time") else f"{base}{given}"
    return base + "[]" * min(len(type_name.array_bounds), 1)


def _number(node: Any) -> str:
    constant = node.a_const
    return str(constant.ival.ival) if constant.HasField("ival") else "?"


def option_value(element: Any) -> str:
    """What a DefElem is set to, as text; `true` where it has no value."""
    which = element.arg.WhichOneof("node") if element.HasField("arg") else None
    if which is None:
        return "true"
    value = getattr(element.arg, which)
    if which == "integer":
        return str(value.ival)
    if which == "float":
        return str(value.fval)
    if which == "boolean":
        return "true" if value.boolval else "false"
    if which == "string":
        return str(value.sval)
    if which == "type_name":
        return ".".join(strings(value.names))
    return ""


def options_of(nodes: Any) -> dict[str, str]:
    """The DefElems of a list, by name; those of another namespace (toast) are left out."""
    return {
        n.def_elem.defname: option_value(n.def_elem)
        for n in nodes
        if n.HasField("def_elem") and not n.def_elem.defnamespace
    }


def is_on(value: str) -> bool:
    """Whether an option's text says yes, as parse_bool takes it."""
    return value.lower() in ("true", "on", "yes", "1", "t", "y")


def text_of(tree: Any) -> str:
    """An expression printed again; `?` where it can't be."""
    node = tree
    if kind_of(tree) != "Node":
        return "?"
    try:
        return printed_expression(node)
    except NotSql:
        return "?"


def columns_in(tree: Any) -> set[str]:
    """The names of the columns that an expression of one table takes."""
    found: set[str] = set()
    for message in every_message(tree):
        if kind_of(message) == "ColumnRef":
            found.update(strings(message.fields)[-1:])
    return found


def functions_in(tree: Any) -> set[str]:
    """The names of the functions that an expression calls, without their schemas."""
    calls = (m for m in every_message(tree) if kind_of(m) == "FuncCall")
    return {strings(call.funcname)[-1] for call in calls if strings(call.funcname)}


def rename_columns(tree: Node, names: dict[str, str]) -> Node:
    """An expression of one table with other names for its columns, by the names written; changed in place."""
    for message in every_message(tree):
        if kind_of(message) == "ColumnRef":
            last = message.fields[-1]
            if last.HasField("string") and last.string.sval in names:
                last.string.sval = names[last.string.sval]
    return tree


def copied(tree: Any) -> Node:
    """A tree of its own, so that a change of one place is none of another."""
    node = Node()
    node.CopyFrom(tree)
    return node
