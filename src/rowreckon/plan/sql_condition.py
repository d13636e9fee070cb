"""A condition's clauses through sqlglot, after EXPLAIN's own notations have become identifiers of the same shape."""

from __future__ import annotations

import re
from collections.abc import Iterator

from sqlglot import exp, parse_one
from sqlglot.errors import SqlglotError

from rowreckon.plan.clause import Clause, ColumnReference
from rowreckon.plan.condition_text import split_conjuncts, split_sides

# SubPlan references in the forms of 12 to 18: (SubPlan 1), (hashed SubPlan 1), (InitPlan 1).col1, (rescan SubPlan 2),
# (ALTERNATIVES: SubPlan 1 or hashed SubPlan 2), (returns $0)
_SUBPLAN = re.compile(
    r"\((?:ALTERNATIVES: )?(?:(?:hashed|rescan|reset) )?(?P<name>(?:SubPlan|InitPlan|CTE|MULTIEXPR) [^()]*?)"
    r"(?: \(returns [$0-9,]+\))?\)(?:\.(?P<col>col\d+))?"
)
_LITERAL = re.compile(r"'(?:[^']|'')*'")
_OPERATOR_CALL = re.compile(r"OPERATOR\((?:[\w\"]+\.)?([^\s()]+)\)")
_PARAMETER = re.compile(r"\$(\d+)")
_CALL = re.compile(r"([A-Za-z_][\w.]*)\(")
_NO_CALLS = frozenset({"any", "all", "in", "row", "and", "or", "not", "values", "operator"})
_PLACE = "rowreckon_subplan_"
_PARAM = "rowreckon_param_"


def sql_clauses(text: str) -> tuple[Clause, ...] | None:
    """The clauses of a condition, or None where its text cannot be read as SQL."""
    names: list[str] = []
    try:
        tree = parse_one(f"SELECT {_to_sql(text, names)}", dialect="postgres")
        selected = tree.expressions if isinstance(tree, exp.Select) else []
        if len(selected) != 1:
            return None
        conjuncts = list(_conjuncts(selected[0]))
        # The server's own spelling of each conjunct, where both ways of cutting agree on their number.
        texts = split_conjuncts(text)
        if len(texts) != len(conjuncts):
            texts = [conjunct.sql(dialect="postgres") for conjunct in conjuncts]
        return tuple(_clause(conjunct, own, names) for conjunct, own in zip(conjuncts, texts, strict=True))
    except (SqlglotError, RecursionError):
        return None


def _to_sql(text: str, names: list[str]) -> str:
    """The text with EXPLAIN's own notations replaced by identifiers, literals untouched."""

    def placeholder(match: re.Match[str]) -> str:
        names.append(match.group("name"))
        return f"({_PLACE}{len(names) - 1})"

    def outside(part: str) -> str:
        part = _OPERATOR_CALL.sub(r"\1", part)
        part = _SUBPLAN.sub(placeholder, part)
        return _PARAMETER.sub(rf"{_PARAM}\1", part)

    pieces: list[str] = []
    start = 0
    for literal in _LITERAL.finditer(text):
        pieces.append(outside(text[start : literal.start()]))
        pieces.append(literal.group())
        start = literal.end()
    pieces.append(outside(text[start:]))
    return "".join(pieces)


def _conjuncts(node: exp.Expr) -> Iterator[exp.Expr]:
    stack: list[exp.Expr] = [node]
    while stack:
        here = stack.pop()
        if isinstance(here, exp.Paren):
            stack.append(here.this)
        elif isinstance(here, exp.And):
            stack.extend((here.expression, here.this))
        else:
            yield here


def _operator(node: exp.Expr) -> str:
    if isinstance(node, exp.Not):
        inner = node.this.unnest() if isinstance(node.this, exp.Paren) else node.this
        return f"NOT {_operator(inner)}".rstrip()
    spellings: dict[type[exp.Expr], str] = {
        exp.EQ: "=",
        exp.NEQ: "<>",
        exp.LT: "<",
        exp.LTE: "<=",
        exp.GT: ">",
        exp.GTE: ">=",
        exp.Like: "LIKE",
        exp.ILike: "ILIKE",
        exp.RegexpLike: "~",
        exp.RegexpILike: "~*",
        exp.In: "IN",
        exp.Between: "BETWEEN",
        exp.Or: "OR",
        exp.NullSafeEQ: "IS NOT DISTINCT FROM",
        exp.NullSafeNEQ: "IS DISTINCT FROM",
    }
    spelling = spellings.get(type(node))
    if isinstance(node, exp.Is):
        return "IS NULL" if isinstance(node.expression, exp.Null) else "IS"
    if spelling is None:
        return type(node).key.upper() if isinstance(node, exp.Binary) else ""
    if isinstance(node, exp.Binary) and isinstance(node.expression, (exp.Any, exp.All)):
        return f"{spelling} {type(node.expression).key.upper()}"
    return spelling


def _clause(node: exp.Expr, text: str, names: list[str]) -> Clause:
    core = node
    while isinstance(core, (exp.Not, exp.Paren)):
        core = core.this
    left, right = (core.this, core.expression) if isinstance(core, exp.Binary) else (None, None)
    if isinstance(core, (exp.In, exp.Between)):
        left = core.this
    sides = split_sides(text)
    negated = " !~" in _LITERAL.sub("''", text)  # sqlglot drops the negation of a pattern operator
    left_text, right_text = sides if sides is not None and left is not None else ("", "")
    return Clause(
        text=text,
        operator=f"NOT {_operator(node)}" if negated else _operator(node),
        columns=_columns(node),
        left_column=_plain(left),
        right_column=_plain(right),
        left_columns=_columns(left) if left is not None else (),
        right_columns=_columns(right) if right is not None else (),
        functions=_function_names(text),
        subplans=tuple(dict.fromkeys(_placeholders(node, _PLACE, names))),
        parameters=tuple(dict.fromkeys(_placeholders(node, _PARAM, None))),
        constant=right_text if right is not None and not _columns(right) else None,
        left_text=left_text,
        right_text=right_text,
    )


def _is_placeholder(name: str) -> bool:
    return name.startswith((_PLACE, _PARAM))


def _columns(node: exp.Expr) -> tuple[ColumnReference, ...]:
    found = (
        ColumnReference(table=c.table or None, column=c.name)
        for c in node.find_all(exp.Column, bfs=False)
        if not _is_placeholder(c.name)
    )
    return tuple(dict.fromkeys(found))


def _placeholders(node: exp.Expr, prefix: str, names: list[str] | None) -> Iterator[str]:
    for column in node.find_all(exp.Column, bfs=False):
        if column.name.startswith(prefix):
            number = column.name[len(prefix) :]
            yield names[int(number)] if names is not None else f"${number}"


def _plain(node: exp.Expr | None) -> ColumnReference | None:
    while isinstance(node, (exp.Paren, exp.Cast, exp.Collate)):
        node = node.this
    if isinstance(node, exp.Column) and not _is_placeholder(node.name):
        return ColumnReference(table=node.table or None, column=node.name)
    return None


def _function_names(text: str) -> tuple[str, ...]:
    calls = _CALL.findall(_LITERAL.sub("''", text))
    return tuple(dict.fromkeys(name for name in calls if name.lower() not in _NO_CALLS))
