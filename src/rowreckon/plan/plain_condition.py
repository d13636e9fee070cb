"""Conditions that compare plain columns with each other or with literals, read by their shape.

They are nine in ten, and reading them so costs a hundredth of a full parse. What does not fit the shape exactly is left
to the parser; tests hold the two ways against each other on every condition that the generated plans contain.
"""

from __future__ import annotations

import re

from rowreckon.plan.clause import Clause, ColumnReference
from rowreckon.plan.condition_text import split_conjuncts

_NAME = r'(?:[a-z_][a-z0-9_$]*|"(?:[^"]|"")+")'
_TYPE = r"(?:::[a-z][a-z ]*)"
_COLUMN = rf"\(?(?:({_NAME})\.)?({_NAME})\)?({_TYPE})?"
_LITERAL = rf"(?:-?\d+(?:\.\d+)?|'(?:[^']|'')*'){_TYPE}?"
# The value of an InitPlan, up to 16 under its parameter's number.
_VALUE = r"\((InitPlan \d+)\)\.col\d+|(\$\d+)"
_COMPARISON = re.compile(rf"{_COLUMN} (=|<>|<=|>=|<|>) (?:{_COLUMN}|({_LITERAL}|{_VALUE}))")
_WORDS = frozenset({"true", "false", "null"})


def plain_clauses(text: str) -> tuple[Clause, ...] | None:
    """The clauses of a condition of this shape, None for any other."""
    clauses: list[Clause] = []
    for part in split_conjuncts(text):
        match = _COMPARISON.fullmatch(part)
        if match is None or part.count("(") != part.count(")"):
            return None
        table, column, cast, operator, other_table, other_column, other_cast, value, subplan, parameter = match.groups()
        if column in _WORDS or other_column in _WORDS or not (_cast_fits(part, cast) and _cast_fits(part, other_cast)):
            return None
        at = match.start(4)
        left = ColumnReference(_bare(table), _bare(column) or column)
        right = None if other_column is None else ColumnReference(_bare(other_table), _bare(other_column) or "")
        columns = (left,) if right is None or right == left else (left, right)
        clauses.append(
            Clause(
                text=part,
                operator=operator,
                columns=columns,
                left_column=left,
                right_column=right,
                left_columns=(left,),
                right_columns=() if right is None else (right,),
                constant=value,
                subplans=() if subplan is None else (subplan,),
                parameters=() if parameter is None else (parameter,),
                left_text=part[: at - 1].strip(),
                right_text=part[at + len(operator) + 1 :].strip(),
            )
        )
    return tuple(clauses)


def _cast_fits(part: str, cast: str | None) -> bool:
    """A cast column stands in parentheses: `(b.code)::text`; any other use of them is the parser's affair."""
    return cast is not None or "(" not in part or ")::" in part or "(InitPlan " in part


def _bare(name: str | None) -> str | None:
    if name is not None and name.startswith('"'):
        return name[1:-1].replace('""', '"')
    return name
