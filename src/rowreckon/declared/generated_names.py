"""The names that PostgreSQL gives to indexes and constraints without one.

Source: makeObjectName, ChooseRelationName, ChooseIndexName and their kin in commands/indexcmds.c, FigureIndexColname in
parser/parse_target.c, releases 12 to 18.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final

from postgast.pg_query_pb2 import A_Expr_Kind, MinMaxOp

from rowreckon.sql.tree import strings

_LONGEST: Final = 63


def object_name(first: str, second: str, label: str) -> str:
    """Two names and a label put together, the longer of the two cut until all fits."""
    room = _LONGEST - (len(label.encode()) + 1 if label else 0) - (1 if second else 0)
    one, two = first.encode(), second.encode()
    while len(one) + len(two) > room:
        if len(one) > len(two):
            one = one[:-1]
        else:
            two = two[:-1]
    names = [part.decode(errors="ignore") for part in (one, two) if part]
    return "_".join([*names, label] if label else names)


def free_name(first: str, second: str, label: str, taken: Callable[[str], bool]) -> str:
    """The first such name that is not taken, with a number after the label if need be."""
    return numbered_name(first, second, label, taken, 0)[0]


def numbered_name(first: str, second: str, label: str, taken: Callable[[str], bool], number: int) -> tuple[str, int]:
    """The same from a number on, below which all are known to be taken (0: no number); with the number that it has."""
    name = object_name(first, second, f"{label}{number or ''}")
    while taken(name):
        number += 1
        name = object_name(first, second, f"{label}{number}")
    return name, number


def of_columns(names: Sequence[str]) -> str:
    """Column names in one; no more of them than fit into a name."""
    text = ""
    for name in names:
        text += ("_" if text else "") + name
        if len(text.encode()) >= _LONGEST + 1:
            break
    return text


def index_columns(names: Sequence[str]) -> list[str]:
    """The column names of an index, made to differ by a number after those that are there already."""
    found: list[str] = []
    for name in names:
        number, own = 0, name
        while own in found:
            number += 1
            ending = str(number)
            own = name.encode()[: _LONGEST - len(ending)].decode(errors="ignore") + ending
        found.append(own)
    return found


def expression_name(tree: Any) -> str:
    """The column name of an index's expression, `expr` where nothing in it lends one."""
    return _figured(tree)[0] or "expr"


def _figured(node: Any) -> tuple[str | None, int]:
    """A name that an expression lends, and how good it is (0 none, 1 a type's, 2 a name)."""
    which = node.WhichOneof("node")
    if which is None:
        return None, 0
    value = getattr(node, which)
    if which == "column_ref":
        return (strings(value.fields) or (None,))[-1], 2
    if which == "func_call":
        return (strings(value.funcname) or (None,))[-1], 2
    if which == "a_indirection":
        fields = strings(value.indirection)
        return (fields[-1], 2) if fields else _figured(value.arg)
    if which == "a_expr" and value.kind == A_Expr_Kind.AEXPR_NULLIF:
        return "nullif", 2
    if which == "type_cast":
        name, strength = _figured(value.arg)
        types = strings(value.type_name.names)
        return (types[-1], 1) if strength <= 1 and types else (name, strength)
    if which == "collate_clause":
        return _figured(value.arg)
    if which == "case_expr":
        name, strength = _figured(value.defresult) if value.HasField("defresult") else (None, 0)
        return ("case", 1) if strength <= 1 else (name, strength)
    fixed = {"coalesce_expr": "coalesce", "a_array_expr": "array", "row_expr": "row"}.get(which)
    if which == "min_max_expr":
        fixed = "greatest" if value.op == MinMaxOp.IS_GREATEST else "least"
    return (fixed, 2) if fixed else (None, 0)
