"""Conditions that compare plain columns with each other or with whole numbers, read without loading the grammar.

One pattern admits a whole text or nothing of it: words in lower case, dots, comparisons, numbers, AND between
parentheses; no quotation marks, no sign that could begin a literal or a comment. Tests hold it to the grammar on
every text that it admits.
"""

from __future__ import annotations

import re

from rowreckon.plan.clause import Clause, ColumnReference
from rowreckon.sql.keywords import NEVER_BARE

_WORD = r"[a-z_][a-z0-9_]*"
_COMPARISON = rf"\((?:{_WORD}\.)?{_WORD} (?:=|<>|<=?|>=?) (?:(?:{_WORD}\.)?{_WORD}|[0-9]+)\)"
_ADMITTED = re.compile(rf"{_COMPARISON}|\({_COMPARISON}(?: AND {_COMPARISON})+\)")


def plain_clauses(text: str) -> tuple[Clause, ...] | None:
    """The clauses of a condition of this shape, None for any other."""
    if _ADMITTED.fullmatch(text) is None:
        return None
    inside = text[1:-1]
    parts = [part.strip("()") for part in inside.split(" AND ")] if inside.startswith("(") else [inside]
    clauses: list[Clause] = []
    for part in parts:
        clause = _clause(part)
        if clause is None:
            return None
        clauses.append(clause)
    return tuple(clauses)


def _clause(part: str) -> Clause | None:
    left_text, operator, right_text = part.split(" ")
    left = _reference(left_text)
    right = None if right_text.isdigit() else _reference(right_text)
    if left is None or (right is None and not right_text.isdigit()):
        return None
    right_columns = () if right is None else (right,)
    return Clause(
        text=part,
        operator=operator,
        columns=tuple(dict.fromkeys((left, *right_columns))),
        left_column=left,
        right_column=right,
        left_columns=(left,),
        right_columns=right_columns,
        constant=right_text if right is None else None,
        left_text=left_text,
        right_text=right_text,
    )


def _reference(text: str) -> ColumnReference | None:
    """The column; None where its first word is a key word, which may mean something else."""
    table, dot, column = text.partition(".")
    if table in NEVER_BARE:
        return None
    return ColumnReference(table, column) if dot else ColumnReference(None, table)
