"""A condition's clauses, read off the tree that PostgreSQL's grammar makes of it; texts are the server's own.

Importing this loads the grammar: import it only where a condition is really to be read.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from postgast.pg_query_pb2 import A_Expr_Kind, BoolExprType, BoolTestType

from rowreckon.frozen import frozen
from rowreckon.plan.clause import Clause, ColumnReference
from rowreckon.plan.condition_text import Cutter
from rowreckon.sql.expression import Expression, Notation, conjuncts, read_expression
from rowreckon.sql.grammar import NotSql, scan
from rowreckon.sql.tree import every_message, kind_of

# Names of operators for those that have a word; the manual, "Pattern Matching", gives the signs behind LIKE.
_WORDS: Final = {
    "~~": "LIKE", "~~*": "ILIKE", "!~~": "NOT LIKE", "!~~*": "NOT ILIKE", "!~": "NOT ~", "!~*": "NOT ~*", "!=": "<>",
}  # fmt: skip
# Between these the text is cut into sides.
_COMPARISONS: Final = frozenset(
    ("=", "<>", "!=", "<", "<=", ">", ">=", "~~", "~~*", "!~~", "!~~*", "~", "~*", "!~", "!~*", "@>", "<@", "&&")
)
_NO_CALLS: Final = ("any", "all", "in", "row", "and", "or", "not", "values", "operator", "exists", "array", "over")
_ORDER: Final = ("asc", "desc", "nulls", "first", "last")
_LOOKED_THROUGH: Final = ("type_cast", "collate_clause")
_BOOLEAN_TESTS: Final = {
    BoolTestType.IS_TRUE: "IS", BoolTestType.IS_FALSE: "IS",
    BoolTestType.IS_NOT_TRUE: "NOT IS", BoolTestType.IS_NOT_FALSE: "NOT IS",
}  # fmt: skip
_LISTS: Final = {
    A_Expr_Kind.AEXPR_IN: "IN", A_Expr_Kind.AEXPR_BETWEEN: "BETWEEN", A_Expr_Kind.AEXPR_NOT_BETWEEN: "NOT BETWEEN",
    A_Expr_Kind.AEXPR_BETWEEN_SYM: "BETWEEN", A_Expr_Kind.AEXPR_NOT_BETWEEN_SYM: "NOT BETWEEN",
}  # fmt: skip
_DISTINCT: Final = {
    A_Expr_Kind.AEXPR_DISTINCT: "IS DISTINCT FROM", A_Expr_Kind.AEXPR_NOT_DISTINCT: "IS NOT DISTINCT FROM",
}  # fmt: skip
_NAMED: Final = {
    **_LISTS, **_DISTINCT, A_Expr_Kind.AEXPR_LIKE: "LIKE", A_Expr_Kind.AEXPR_ILIKE: "ILIKE",
    A_Expr_Kind.AEXPR_SIMILAR: "SIMILAR TO",
}  # fmt: skip


def sql_clauses(text: str) -> tuple[Clause, ...] | None:
    """The clauses of a condition, or of a sort key, or None where the text cannot be read as SQL."""
    try:
        read = _read(text)
        nodes = conjuncts(read.node)
        cutter = Cutter(read.text, read.tokens)
        ranges = cutter.conjuncts()
        if len(ranges) != len(nodes):
            raise NotSql("its parts can't be told apart")
        return tuple(
            _Reader(read, cutter, begin, end).clause(node) for node, (begin, end) in zip(nodes, ranges, strict=True)
        )
    except NotSql:
        return None


def _read(text: str) -> Expression:
    try:
        return read_expression(text)
    except NotSql:
        tokens = scan(text)
        end = next((n for n, token in enumerate(tokens) if token.says(*_ORDER) and tokens[-1].says(*_ORDER)), 0)
        if not end:
            raise
        return read_expression(text[: tokens[end - 1].end])


@frozen
class _Reader:
    """Reads one conjunct, whose tokens are those from `begin` to `end`."""

    read: Expression
    cutter: Cutter
    begin: int
    end: int

    def clause(self, node: Any) -> Clause:
        """The clause of the conjunct's tree."""
        core = node
        while (inner := _negated(core)) is not None:
            core = inner
        left, right, has_right = (None, None, False) if self._is_subplan_test(core) else _sides(core)
        cut = self._cut(core) if core is node and left is not None else None
        left_text, right_text = cut or ("", "")
        right_columns = self._columns(right)
        return Clause(
            text=self.cutter.said(self.begin, self.end),
            operator=self._operator(node),
            columns=self._columns(node),
            left_column=self._plain(left),
            right_column=None if _is_of_array(core) else self._plain(right),
            left_columns=self._columns(left),
            right_columns=right_columns,
            functions=self._functions(),
            subplans=tuple(dict.fromkeys(p for n in self._notations(node, "subplan") for p in n.plans)),
            parameters=tuple(dict.fromkeys(n.text for n in self._notations(node, "parameter"))),
            constant=right_text if has_right and not right_columns else None,
            left_text=left_text,
            right_text=right_text,
        )

    def _operator(self, node: Any) -> str:
        inner = _negated(node)
        if inner is not None:
            return f"NOT {self._operator(inner)}".rstrip()
        kind = node.WhichOneof("node")
        if kind == "bool_expr":
            return "OR"
        if kind == "null_test":
            return "IS NULL"
        if kind == "boolean_test":
            return _BOOLEAN_TESTS.get(node.boolean_test.booltesttype, "IS NULL")
        if kind == "collate_clause":
            return "COLLATE"
        if kind != "a_expr" or self._is_subplan_test(node):
            return ""
        return self._expression_operator(node.a_expr)

    def _expression_operator(self, expression: Any) -> str:
        kind = expression.kind
        sign = expression.name[-1].string.sval if expression.name else ""
        if kind in _NAMED:
            return f"NOT {_NAMED[kind]}" if sign in ("<>", "!~~", "!~~*") else _NAMED[kind]
        if kind == A_Expr_Kind.AEXPR_NULLIF:
            return ""
        spelled = _WORDS.get(sign, sign)
        if kind != A_Expr_Kind.AEXPR_OP_ANY:
            return spelled
        return f"{spelled} ANY"

    def _is_subplan_test(self, node: Any) -> bool:
        """Whether it is EXPLAIN's `ANY (… (SubPlan 1).col1)`, of which the tree has a left side made up."""
        left = node.a_expr.lexpr if node.WhichOneof("node") == "a_expr" else node
        number = left.param_ref.number if left.WhichOneof("node") == "param_ref" else 0
        return bool(number) and self.read.notation(number).kind == "test"

    def _columns(self, node: Any) -> tuple[ColumnReference, ...]:
        """The columns below a node, each once, in the order of the text."""
        nodes = () if node is None else node if isinstance(node, list) else (node,)
        found = sorted(
            (
                (message.location, _reference(message))
                for each in nodes
                for message in every_message(each)
                if kind_of(message) == "ColumnRef"
            ),
            key=lambda pair: int(pair[0]),
        )
        return tuple(dict.fromkeys(reference for _, reference in found))

    def _plain(self, node: Any) -> ColumnReference | None:
        """The column that a node is, casts and collations looked through."""
        if node is None or isinstance(node, list):
            return None
        while node.WhichOneof("node") in _LOOKED_THROUGH:
            node = getattr(node, node.WhichOneof("node")).arg
        return _reference(node.column_ref) if node.WhichOneof("node") == "column_ref" else None

    def _notations(self, node: Any, kind: str) -> Iterator[Notation]:
        numbers = sorted(message.number for message in every_message(node) if kind_of(message) == "ParamRef")
        return (found for found in map(self.read.notation, numbers) if found.kind == kind)

    def _functions(self) -> tuple[str, ...]:
        """What is called: a name with a bracket right behind it, as it is spelled, with its schema."""
        tokens = self.cutter.tokens
        found: dict[str, None] = {}
        for number in range(self.begin, self.end - 1):
            token = tokens[number]
            called = token.kind in ("word", "name") and tokens[number + 1].text == "(" == self.cutter.text[token.end]
            if not called or token.says(*_NO_CALLS) or token.says("varying"):
                continue
            first = number
            while first >= self.begin + 2 and tokens[first - 1].text == ".":
                first -= 2
            if first == self.begin or tokens[first - 1].text not in ("::", "."):
                found[".".join(_spelled(token.text) for token in tokens[first : number + 1 : 2])] = None
        return tuple(found)

    def _cut(self, core: Any) -> tuple[str, str] | None:
        """Both sides of a comparison, None for anything else."""
        if core.WhichOneof("node") != "a_expr":
            return None
        expression = core.a_expr
        named = expression.name[-1].string.sval if expression.name else ""
        if expression.kind in _NAMED and expression.kind not in _DISTINCT:
            return None
        if named not in _COMPARISONS or not expression.HasField("lexpr"):
            return None
        place = self.read.place(expression.location)
        tokens = self.cutter.tokens
        for at in self.cutter.top(self.begin, self.end):
            if tokens[at].start == place:
                behind = self._behind_operator(at)
                left = self.cutter.bare(self.begin, at)
                return self.cutter.said(*left), self.cutter.said(*self.cutter.bare(behind, self.end))
        return None

    def _behind_operator(self, at: int) -> int:
        """The token behind the operator that begins at a token."""
        tokens = self.cutter.tokens
        if tokens[at].says("operator"):
            return self.cutter.partner.get(at + 1, at) + 1
        if tokens[at].says("is"):
            return at + (4 if tokens[at + 1].says("not") else 3)
        return at + 1


def _negated(node: Any) -> Any:
    """What NOT stands before, or None."""
    if node.WhichOneof("node") == "bool_expr" and node.bool_expr.boolop == BoolExprType.NOT_EXPR:
        return node.bool_expr.args[0]
    return None


def _is_of_array(core: Any) -> bool:
    """Whether the right side is an array, whose elements are compared: ANY, ALL."""
    arrays = (A_Expr_Kind.AEXPR_OP_ANY, A_Expr_Kind.AEXPR_OP_ALL)
    return core.WhichOneof("node") == "a_expr" and core.a_expr.kind in arrays


def _sides(core: Any) -> tuple[Any, Any, bool]:
    """Left and right side of what has two, and whether there is a right one, be it only a word."""
    kind = core.WhichOneof("node")
    if kind == "a_expr":
        return _expression_sides(core.a_expr)
    if kind == "bool_expr":
        *left, right = core.bool_expr.args
        return left, right, True
    if kind == "null_test":
        return core.null_test.arg, None, True
    if kind == "boolean_test":
        return core.boolean_test.arg, None, True
    if kind == "collate_clause":
        return core.collate_clause.arg, None, True
    return None, None, False


def _expression_sides(expression: Any) -> tuple[Any, Any, bool]:
    if expression.kind == A_Expr_Kind.AEXPR_NULLIF or not expression.HasField("lexpr"):
        return None, None, False
    if expression.kind in _LISTS:
        return expression.lexpr, None, False
    return expression.lexpr, expression.rexpr, True


def _reference(column: Any) -> ColumnReference:
    names = [part.string.sval if part.HasField("string") else "*" for part in column.fields]
    return ColumnReference(table=names[-2] if len(names) > 1 else None, column=names[-1])


def _spelled(name: str) -> str:
    return name[1:-1].replace('""', '"') if name.startswith('"') else name
