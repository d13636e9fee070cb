"""Conditions whose sides are columns, literals, or one function of one column, read by their shape.

They are nine in ten, and reading them so costs a hundredth of a full parse. What does not fit the shape exactly is left
to the parser; tests hold the two ways against each other on every condition that the sample plans contain.
"""

from __future__ import annotations

import re

from rowreckon.plan.clause import Clause, ColumnReference
from rowreckon.plan.condition_text import split_comparison, split_conjuncts

_NAME = r'(?:[a-z_][a-z0-9_$]*|"(?:[^"]|"")+")'
_TYPE = r"(?:::[a-z][a-z ]*)"
_REFERENCE = rf"(?:({_NAME})\.)?({_NAME})"
_COLUMN = re.compile(rf"{_REFERENCE}|\({_REFERENCE}\){_TYPE}")
_CALL = re.compile(rf"([a-z_][a-z0-9_]*)\({_REFERENCE}\)")
_LITERAL = re.compile(rf"(?:-?\d+(?:\.\d+)?|'(?:[^']|'')*'){_TYPE}?")
_INIT_PLAN = re.compile(r"\((InitPlan \d+)\)\.col\d+")
_PARAMETER = re.compile(r"\$\d+")
_OPERATORS = frozenset({"=", "<>", "<", "<=", ">", ">="})
_WORDS = frozenset({"true", "false", "null"})
# What looks like a call and is none, or has a grammar of its own.
_NO_CALLS = frozenset({"any", "all", "in", "row", "not", "values", "operator", "exists", "cast", "array", "coalesce"})

_Side = tuple[ColumnReference | None, tuple[ColumnReference, ...], str, str, str]
"""A plain column or None, all columns, and the names of a function, a subplan and a parameter (or empty)."""


def plain_clauses(text: str) -> tuple[Clause, ...] | None:
    """The clauses of a condition of this shape, None for any other."""
    clauses: list[Clause] = []
    for part in split_conjuncts(text):
        found = split_comparison(part)
        if found is None or found[1] not in _OPERATORS:
            return None
        left_text, operator, right_text = found
        left, right = _side(left_text), _side(right_text)
        if left is None or right is None or not left[1]:
            return None
        clauses.append(
            Clause(
                text=part,
                operator=operator,
                columns=tuple(dict.fromkeys((*left[1], *right[1]))),
                left_column=left[0],
                right_column=right[0],
                left_columns=left[1],
                right_columns=right[1],
                functions=tuple(dict.fromkeys(name for name in (left[2], right[2]) if name)),
                subplans=(right[3],) if right[3] else (),
                parameters=(right[4],) if right[4] else (),
                constant=None if right[1] else right_text,
                left_text=left_text,
                right_text=right_text,
            )
        )
    return tuple(clauses)


def _side(text: str) -> _Side | None:
    match = _COLUMN.fullmatch(text)
    if match is not None:
        plain = _reference(match.group(1) or match.group(3), match.group(2) or match.group(4))
        return None if plain is None else (plain, (plain,), "", "", "")
    if _LITERAL.fullmatch(text):
        return None, (), "", "", ""
    match = _CALL.fullmatch(text)
    if match is not None:
        inner = _reference(match.group(2), match.group(3))
        return None if inner is None or match.group(1) in _NO_CALLS else (None, (inner,), match.group(1), "", "")
    match = _INIT_PLAN.fullmatch(text)
    if match is not None:
        return None, (), "", match.group(1), ""
    return (None, (), "", "", text) if _PARAMETER.fullmatch(text) else None


def _reference(table: str | None, column: str) -> ColumnReference | None:
    if column in _WORDS:
        return None
    return ColumnReference(_bare(table) if table is not None else None, _bare(column))


def _bare(name: str) -> str:
    return name[1:-1].replace('""', '"') if name.startswith('"') else name
