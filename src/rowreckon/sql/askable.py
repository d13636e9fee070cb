"""Whether an expression's tree may be put to a server, and what it uses: checked node by node.

A tree passes only where every node and every field of it is on a list: operators, plain function calls, constants,
columns of given aliases, casts, CASE and its kin.  No subquery, no parameter, no aggregate, no window passes.
In goes a tree that was read from anywhere; out comes a copy to print, with its columns under their alias.  A `strict`
check also names every function, operator, type and collation with the schema pg_catalog, so that no search path has a
say, and refuses what is named with another schema; what it lists, the server is to look up before it plans anything.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, field
from typing import Any, Final

from postgast.pg_query_pb2 import A_Expr_Kind, CoercionForm, Node

CATALOG: Final = "pg_catalog"

_FIELDS: Final[dict[str, frozenset[str]]] = {
    name: frozenset(fields.split())
    for name, fields in {
        "A_Const": "ival fval boolval sval bsval isnull",
        "Integer": "ival",
        "Float": "fval",
        "Boolean": "boolval",
        "String": "sval",
        "BitString": "bsval",
        "ColumnRef": "fields",
        "TypeCast": "arg type_name",
        "TypeName": "names typmods typemod array_bounds",
        "A_Expr": "kind name lexpr rexpr",
        "BoolExpr": "boolop args",
        "NullTest": "arg nulltesttype argisrow",
        "BooleanTest": "arg booltesttype",
        "FuncCall": "funcname args funcformat",
        "A_ArrayExpr": "elements",
        "CaseExpr": "arg args defresult",
        "CaseWhen": "expr result",
        "CoalesceExpr": "args",
        "MinMaxExpr": "op args",
        "CollateClause": "arg collname",
        "RowExpr": "args row_format",
        "A_Indirection": "arg indirection",
        "A_Indices": "is_slice lidx uidx",
        "SQLValueFunction": "op typmod",
    }.items()
}
"""The nodes that pass, each with the fields that may be set in it; places in the text are in all of them."""
_PLACES: Final = frozenset({"location", "list_start", "list_end", "rexpr_list_start", "rexpr_list_end"})
_OPERATORS: Final = frozenset({A_Expr_Kind.AEXPR_OP, A_Expr_Kind.AEXPR_OP_ANY, A_Expr_Kind.AEXPR_OP_ALL})
_EQUALITIES: Final = frozenset({A_Expr_Kind.AEXPR_DISTINCT, A_Expr_Kind.AEXPR_NOT_DISTINCT, A_Expr_Kind.AEXPR_NULLIF})
_WORDS: Final = {
    "SubLink": "a subquery",
    "ParamRef": "a value from elsewhere",
    "A_Star": "a whole row",
    "GroupingFunc": "a grouping",
    "NamedArgExpr": "an argument by name",
}
_DIGITS: Final = frozenset("0123456789.eE+-")
_HEX: Final = frozenset("xXbB0123456789abcdefABCDEF")


class NotAskable(ValueError):
    """The tree holds something that is not put to a server; `reason` says what, in words that follow 'it'."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


@dataclass(slots=True)
class Uses:
    """What an expression uses, each without a schema: functions and operators with the number of their arguments.

    `enums` are types (schema or None, name) that are not PostgreSQL's own, and stood at constants only; `columns` are
    pairs of alias and column.
    """

    functions: set[tuple[str, int]] = field(default_factory=set)
    operators: set[tuple[str, int]] = field(default_factory=set)
    types: set[str] = field(default_factory=set)
    enums: set[tuple[str | None, str]] = field(default_factory=set)
    collations: set[str] = field(default_factory=set)
    columns: set[tuple[str, str]] = field(default_factory=set)


@dataclass(frozen=True, slots=True)
class Checked:
    """A tree that may be printed and asked, and what it uses."""

    node: Node
    uses: Uses


def checked(
    node: Node, aliases: Collection[str], *, own_alias: str | None = None, strict: Collection[str] | None = None
) -> Checked:
    """The tree for a server, with its columns under one of `aliases`; a bare column belongs to `own_alias`.

    `strict` holds the names of PostgreSQL's own types that may be used; without it nothing is asked of names.
    Raises NotAskable.
    """
    copy = Node()
    copy.CopyFrom(node)
    return _Check(frozenset(aliases), own_alias, None if strict is None else frozenset(strict)).go(copy)


@dataclass(slots=True)
class _Check:
    aliases: frozenset[str]
    own_alias: str | None
    types: frozenset[str] | None
    uses: Uses = field(default_factory=Uses)

    def go(self, node: Node) -> Checked:
        waiting: list[Any] = [node]
        while waiting:
            message = waiting.pop()
            kind = message.DESCRIPTOR.name
            if kind == "Node":
                waiting.append(self._inside(message))
                continue
            permitted = _FIELDS.get(kind)
            if permitted is None:
                raise NotAskable(f"it holds {_WORDS.get(kind, f'a part of a kind that is not asked about ({kind})')}")
            for one, value in message.ListFields():
                if one.name in _PLACES:
                    continue
                if one.name not in permitted:
                    raise NotAskable(f"it holds a {kind} with {one.name}")
                if one.message_type is not None:
                    waiting.extend(value if one.is_repeated else (value,))
            check = _CHECKS.get(kind)
            if check is not None:
                check(self, message)
        return Checked(node, self.uses)

    def _inside(self, node: Node) -> Any:
        """What a node holds, once a constant's cast to a type of the user's own is gone: the column decides there."""
        kind = node.WhichOneof("node")
        if kind is None:
            raise NotAskable("it holds an empty part")
        if kind == "type_cast" and self.types is not None and not self._own_type(node.type_cast.type_name):
            constant = node.type_cast.arg
            if constant.WhichOneof("node") != "a_const" or constant.a_const.WhichOneof("val") != "sval":
                raise NotAskable(f"it casts to {_shown(node.type_cast.type_name.names)}, no type of PostgreSQL's own")
            names = [n.string.sval for n in node.type_cast.type_name.names]
            self.uses.enums.add((names[-2] if len(names) > 1 else None, names[-1]))
            copy = Node()
            copy.CopyFrom(constant)
            node.CopyFrom(copy)
            kind = "a_const"
        return getattr(node, kind)

    def _own_type(self, type_name: Any) -> bool:
        names = [n.string.sval for n in type_name.names]
        assert self.types is not None
        return names[-1] in self.types and (len(names) == 1 or names[:-1] == [CATALOG])

    def column(self, column: Any) -> None:
        if not all(f.WhichOneof("node") == "string" for f in column.fields):
            raise NotAskable(f"it holds {_WORDS['A_Star']}")
        names = [f.string.sval for f in column.fields]
        if len(names) == 1 and self.own_alias is not None:
            names.insert(0, self.own_alias)
            column.fields.insert(0, _string(self.own_alias))
        if len(names) != 2 or names[0] not in self.aliases:
            raise NotAskable(f"it names the column {'.'.join(names)}, which is not of the scan")
        self.uses.columns.add((names[0], names[1]))

    def call(self, call: Any) -> None:
        self.uses.functions.add((self._named(call.funcname, "calls the function"), len(call.args)))
        if self.types is not None:
            # a plain call instead of SQL's own syntax for some functions: it can be named with its schema
            call.funcformat = CoercionForm.COERCE_EXPLICIT_CALL

    def operation(self, operation: Any) -> None:
        arguments = 2 if operation.HasField("lexpr") else 1
        if operation.kind in _OPERATORS:
            self.uses.operators.add((self._named(operation.name, "uses the operator"), arguments))
        elif operation.kind in _EQUALITIES:
            self.uses.operators.add(("=", 2))
        else:
            raise NotAskable("it holds a comparison that EXPLAIN does not print")

    def type_name(self, type_name: Any) -> None:
        if self.types is not None and not self._own_type(type_name):
            raise NotAskable(f"it names the type {_shown(type_name.names)}, which is not PostgreSQL's own")
        self.uses.types.add(self._named(type_name.names, "names the type"))

    def collation(self, collation: Any) -> None:
        self.uses.collations.add(self._named(collation.collname, "names the collation"))

    def number(self, number: Any) -> None:
        if not set(number.fval) <= _DIGITS:
            raise NotAskable("it holds a number in a spelling that is not asked about")

    def bits(self, bits: Any) -> None:
        if not set(bits.bsval) <= _HEX:
            raise NotAskable("it holds a bit string in a spelling that is not asked about")

    def _named(self, names: Any, what: str) -> str:
        """The name without its schema; a strict check puts pg_catalog in front of it."""
        if not all(n.WhichOneof("node") == "string" for n in names):
            raise NotAskable(f"it {what} by no plain name")
        name = str(names[-1].string.sval)
        if self.types is not None:
            if len(names) > 2 or (len(names) == 2 and names[0].string.sval != CATALOG):
                raise NotAskable(f"it {what} {_shown(names)}, which is not PostgreSQL's own")
            if len(names) == 1:
                names.insert(0, _string(CATALOG))
        return name


_CHECKS: Final[dict[str, Callable[[_Check, Any], None]]] = {
    "ColumnRef": _Check.column,
    "FuncCall": _Check.call,
    "A_Expr": _Check.operation,
    "TypeName": _Check.type_name,
    "CollateClause": _Check.collation,
    "Float": _Check.number,
    "BitString": _Check.bits,
}


def casts_of(node: Node) -> Iterator[Node]:
    """The casts around a plain column, the innermost first; nothing where the tree is no such thing."""
    found: list[Node] = []
    while (kind := node.WhichOneof("node")) in ("type_cast", "collate_clause"):
        if kind == "type_cast":
            found.append(node)
        node = node.type_cast.arg if kind == "type_cast" else node.collate_clause.arg
    return reversed(found) if kind == "column_ref" else iter(())


def _string(text: str) -> Node:
    node = Node()
    node.string.sval = text
    return node


def _shown(names: Any) -> str:
    return ".".join(n.string.sval for n in names)
