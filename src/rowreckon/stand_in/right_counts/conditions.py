"""The conditions of a query, taken apart: which parts are joined by AND, and which columns each one reads."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from postgast.pg_query_pb2 import A_Expr_Kind, BoolExprType

from rowreckon.sql.tree import every_message, kind_of, strings, without_casts
from rowreckon.stand_in.scope import ColumnOfQuery, Scope

Pair = tuple[ColumnOfQuery, ColumnOfQuery]
"""Two columns that are held equal."""


def conjuncts(node: Any) -> Iterator[Any]:
    """The parts of a condition that AND joins; nothing for an empty one."""
    kind = node.WhichOneof("node")
    if kind is None:
        return
    if kind == "bool_expr" and node.bool_expr.boolop == BoolExprType.AND_EXPR:
        for part in node.bool_expr.args:
            yield from conjuncts(part)
    else:
        yield node


_NOTHING = Scope({})


def columns_in(node: Any, scope: Scope, inner: Scope = _NOTHING) -> frozenset[ColumnOfQuery] | None:
    """The columns of the scope's relations that an expression reads; `inner` are relations of subqueries inside it.

    None where a reference is not clear.
    """
    found: set[ColumnOfQuery] = set()
    for message in every_message(node):
        if kind_of(message) != "ColumnRef":
            continue
        if inner.holds(message):
            continue
        column = scope.found(message)
        if column is None:
            return None
        found.add(column)
    return frozenset(found)


def equal_columns(node: Any, scope: Scope) -> Pair | None:
    """The two columns of `one = other`; None for any other condition."""
    if not is_equality(node):
        return None
    # most casts, such as that of varchar to text, are relabelled away by the planner
    sides = (without_casts(node.a_expr.lexpr), without_casts(node.a_expr.rexpr))
    found = [scope.found(side.column_ref) for side in sides if side.WhichOneof("node") == "column_ref"]
    if len(found) != 2 or found[0] is None or found[1] is None or found[0].alias == found[1].alias:
        return None
    return found[0], found[1]


def is_equality(node: Any) -> bool:
    """Whether a condition is one `=`."""
    if node.WhichOneof("node") != "a_expr":
        return False
    return node.a_expr.kind == A_Expr_Kind.AEXPR_OP and strings(node.a_expr.name) == ("=",)


def constants_in(node: Any) -> list[str]:
    """The constants of an expression as texts, each once, in their order."""
    found: dict[str, None] = {}
    for message in every_message(node):
        if kind_of(message) != "A_Const" or message.isnull:
            continue
        which = message.WhichOneof("val")
        value: Any = getattr(message, which) if which else None
        if which == "ival":
            found[str(value.ival)] = None
        elif which == "fval":
            found[value.fval] = None
        elif which == "sval":
            found[value.sval] = None
        elif which == "boolval":
            found["t" if value.boolval else "f"] = None
    return list(found)
