"""Expressions over one table's columns, and lists of types, read out of texts that somebody else may have written.

A text becomes a tree that is checked node by node against the table below, and is printed anew; what the table does
not name (a subquery, an aggregate, a parameter, a qualified column) makes it no expression. Nothing of the text itself
goes on.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

from postgast.pg_query_pb2 import A_Expr_Kind, ParseResult

from rowreckon.sql.grammar import NotSql, parse, printed, scan

Name = tuple[str, ...]
"""A name by its parts, raw: schema first where one stands before it."""


@dataclass(slots=True)
class Uses:
    """What an expression needs: functions and operators with the number of their operands, types, collations."""

    functions: set[tuple[Name, int]] = field(default_factory=set)
    operators: set[tuple[Name, int]] = field(default_factory=set)
    types: set[Name] = field(default_factory=set)
    collations: set[Name] = field(default_factory=set)
    columns: set[str] = field(default_factory=set)


def in_words(error: NotSql) -> str:
    """Why a text is not read, without the piece of it that the grammar shows: that may be anybody's data."""
    return error.reason.partition(" at or near ")[0]


def expression(text: str) -> str:
    """One expression over plain columns, printed anew. Raises NotSql for anything else."""
    value = _only_value(parse(f"SELECT ({text}\n)"), text)
    check(value, Uses())
    tree = parse("SELECT 1")
    tree.stmts[0].stmt.select_stmt.target_list[0].res_target.val.CopyFrom(value)
    return printed(tree).removeprefix("SELECT ")


def signature(text: str) -> str:
    """A function's list of argument types with their modes, printed anew; the arguments' names are left out.

    Raises NotSql for anything else: defaults, `%TYPE`, sets.
    """
    if any(token.kind == "comment" for token in scan(text)):
        raise NotSql("a comment stands among the argument types")
    tree = parse(f"ALTER FUNCTION f({text}\n) ROWS 1")
    plain = parse("ALTER FUNCTION f() ROWS 1")
    if len(tree.stmts) != 1 or tree.stmts[0].stmt.WhichOneof("node") != "alter_function_stmt":
        raise NotSql("it is no list of argument types")
    function = tree.stmts[0].stmt.alter_function_stmt.func
    wanted = plain.stmts[0].stmt.alter_function_stmt.func
    check_arguments(function)
    wanted.objargs.extend(function.objargs)
    wanted.objfuncargs.extend(function.objfuncargs)
    for each in (function, wanted):
        for argument in each.objfuncargs:
            argument.function_parameter.ClearField("name")  # a function is known by its types alone
    whole = printed(plain)
    if printed(tree) != whole:
        raise NotSql("more stands there than argument types")
    return whole.removeprefix("ALTER FUNCTION f(").removesuffix(") ROWS 1")


def check(root: Any, uses: Uses) -> None:
    """Walk an expression's tree and add what it needs to `uses`. Raises NotSql at the first node that is not known."""
    waiting = [root]
    while waiting:
        node = waiting.pop()
        kind = node.WhichOneof("node")
        allowed = _FIELDS.get(kind or "")
        if allowed is None:
            raise NotSql(f"{_words(kind)} has no place in such an expression")
        inner = getattr(node, kind)
        only_fields(inner, allowed, _words(kind))
        _note(kind, inner, uses)
        waiting.extend(_below(kind, inner))


def only_fields(message: Any, allowed: frozenset[str] | set[str], what: str) -> None:
    """Raises NotSql where a message holds more than these fields (places in the text apart)."""
    for found, _ in message.ListFields():
        if found.name not in allowed and not _is_place(found.name):
            raise NotSql(f"{what} has a part that has no place here: {found.name.replace('_', ' ')}")


def check_arguments(function: Any) -> None:
    """The argument types of an ObjectWithArgs. Raises NotSql for what is no plain type."""
    only_fields(function, {"objname", "objargs", "objfuncargs", "args_unspecified"}, "the function")
    for argument in function.objargs:
        if argument.WhichOneof("node") != "type_name":
            raise NotSql("an argument has no plain type")
        type_name(argument.type_name)
    for argument in function.objfuncargs:
        if argument.WhichOneof("node") != "function_parameter":
            raise NotSql("an argument has no plain type")
        only_fields(argument.function_parameter, {"name", "arg_type", "mode"}, "an argument")
        type_name(argument.function_parameter.arg_type)


def type_name(message: Any) -> Name:
    """The type's name; its modifiers have to be whole numbers. Raises NotSql."""
    only_fields(message, {"names", "typmods", "typemod", "array_bounds"}, "a type")
    for modifier in message.typmods:
        if modifier.WhichOneof("node") != "a_const" or modifier.a_const.WhichOneof("val") != "ival":
            raise NotSql("a type's modifier is no whole number")
    for bound in message.array_bounds:
        if bound.WhichOneof("node") != "integer":
            raise NotSql("an array's bound is no whole number")
    return name_of(message.names)


def name_of(parts: Any) -> Name:
    """The raw parts of a name. Raises NotSql where one is no string, or there are none, or more than two."""
    if not 1 <= len(parts) <= 2 or any(part.WhichOneof("node") != "string" for part in parts):
        raise NotSql("a name has another form than schema.name")
    return tuple(str(part.string.sval) for part in parts)


_OPERANDS: Final = {
    A_Expr_Kind.AEXPR_OP: (),
    A_Expr_Kind.AEXPR_OP_ANY: (),
    A_Expr_Kind.AEXPR_OP_ALL: (),
    A_Expr_Kind.AEXPR_IN: (),
    A_Expr_Kind.AEXPR_LIKE: (),
    A_Expr_Kind.AEXPR_ILIKE: (),
    A_Expr_Kind.AEXPR_SIMILAR: (),
    A_Expr_Kind.AEXPR_DISTINCT: ("=",),
    A_Expr_Kind.AEXPR_NOT_DISTINCT: ("=",),
    A_Expr_Kind.AEXPR_NULLIF: ("=",),
    A_Expr_Kind.AEXPR_BETWEEN: (">=", "<="),
    A_Expr_Kind.AEXPR_NOT_BETWEEN: ("<", ">"),
    A_Expr_Kind.AEXPR_BETWEEN_SYM: (">=", "<="),
    A_Expr_Kind.AEXPR_NOT_BETWEEN_SYM: ("<", ">"),
}
"""The kinds of A_Expr, each with the operators that it stands for; () where its own name says it."""

_FIELDS: Final[dict[str, frozenset[str]]] = {
    kind: frozenset(fields.split())
    for kind, fields in {
        "a_const": "ival fval boolval sval bsval isnull",
        "column_ref": "fields",
        "a_expr": "kind name lexpr rexpr",
        "bool_expr": "boolop args",
        "null_test": "arg nulltesttype",
        "boolean_test": "arg booltesttype",
        "type_cast": "arg type_name",
        "func_call": "funcname args funcformat",
        "a_array_expr": "elements",
        "case_expr": "arg args defresult",
        "case_when": "expr result",
        "coalesce_expr": "args",
        "min_max_expr": "op args",
        "collate_clause": "arg collname",
        "row_expr": "args row_format",
        "list": "items",
        "a_indirection": "arg indirection",
        "a_indices": "is_slice lidx uidx",
    }.items()
}
"""Every node that may stand in an expression, and every field that it may have; the rest is refused."""

_BELOW: Final = ("lexpr", "rexpr", "arg", "args", "expr", "result", "defresult", "elements", "items", "indirection")


def _below(kind: str, inner: Any) -> Iterator[Any]:
    for name in (*_BELOW, "lidx", "uidx"):
        if name not in _FIELDS[kind]:
            continue
        value = getattr(inner, name)
        if inner.DESCRIPTOR.fields_by_name[name].is_repeated:
            yield from value
        elif inner.HasField(name):
            yield value


def _note(kind: str, inner: Any, uses: Uses) -> None:
    if kind == "column_ref":
        if len(inner.fields) != 1 or inner.fields[0].WhichOneof("node") != "string":
            raise NotSql("a column stands under a table's name, or all columns do")
        uses.columns.add(str(inner.fields[0].string.sval))
    elif kind == "func_call":
        uses.functions.add((name_of(inner.funcname), len(inner.args)))
    elif kind == "type_cast":
        uses.types.add(type_name(inner.type_name))
    elif kind == "collate_clause":
        uses.collations.add(name_of(inner.collname))
    elif kind == "case_expr" and inner.HasField("arg"):
        uses.operators.add((("=",), 2))
    elif kind == "a_expr":
        stands_for = _OPERANDS.get(inner.kind)
        if stands_for is None:
            raise NotSql("an operator has a form that has no place in such an expression")
        operands = 1 + inner.HasField("lexpr")
        names: list[Name] = [(sign,) for sign in stands_for] or [name_of(inner.name)]
        uses.operators.update((name, operands) for name in names)


def _only_value(tree: ParseResult, text: str) -> Any:
    """The one value of a SELECT that has nothing else."""
    if len(tree.stmts) != 1 or tree.stmts[0].stmt.WhichOneof("node") != "select_stmt":
        raise NotSql("it is no expression")
    select = tree.stmts[0].stmt.select_stmt
    only_fields(select, {"target_list", "limit_option", "op"}, "the expression")
    if len(select.target_list) != 1:
        raise NotSql("it is more than one expression")
    target = select.target_list[0].res_target
    only_fields(target, {"val"}, "the expression")
    if any(token.kind == "comment" for token in scan(text)):
        raise NotSql("a comment stands in the expression")
    return target.val


def _is_place(name: str) -> bool:
    return name == "location" or name.endswith(("_location", "list_start", "list_end"))


def _words(kind: str | None) -> str:
    return f"a {kind.replace('_', ' ')}" if kind else "nothing"
