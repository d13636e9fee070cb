"""What kind of restriction a clause is, as far as the planner's selectivity functions tell kinds apart."""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING, Literal

from rowreckon.causes.tested import tested
from rowreckon.sql.spelling import is_column

if TYPE_CHECKING:
    from rowreckon.catalog.facts import Column, Relation
    from rowreckon.plan.conditions import Clause, ColumnReference

ClauseKind = Literal["equality", "range", "pattern", "null_test", "flag", "expression", "either", "other"]

_RANGE = frozenset({"<", "<=", ">", ">=", "BETWEEN"})
_PATTERN = frozenset({"LIKE", "ILIKE", "~", "~*", "~~", "~~*", "NOT LIKE", "NOT ILIKE", "NOT ~", "NOT ~*"})
_EQUALITY = frozenset({"=", "IN", "= ANY", "IS"})


def compared_column(clause: Clause, relation: Relation | None = None) -> ColumnReference | None:
    """The plain column that a clause compares with a value; None where it is an expression over columns."""
    for column, text, others in (
        (clause.left_column, clause.left_text, clause.right_columns),
        (clause.right_column, clause.right_text, clause.left_columns),
    ):
        if column is not None and not others and _is_bare(text, column, relation):
            return column
    asked = tested(clause) if len(clause.columns) == 1 and not clause.functions else None
    if asked is not None and is_column(asked):
        return clause.columns[0]
    return None


def bare_column(clause: Clause, alias: str | None, relation: Relation | None) -> str | None:
    """The plain column of the relation under an alias that a clause compares with what does not hang on its row."""
    if any(not name.startswith("InitPlan") for name in clause.subplans):
        return None
    for column, text, others in (
        (clause.left_column, clause.left_text, clause.right_columns),
        (clause.right_column, clause.right_text, clause.left_columns),
    ):
        of_row = any(c.table in (None, alias) for c in others)
        if column is not None and column.table in (None, alias) and not of_row and _is_bare(text, column, relation):
            return column.column
    asked = compared_column(clause, relation)
    return asked.column if asked is not None and asked.table in (None, alias) else None


def _is_bare(text: str, column: ColumnReference, relation: Relation | None) -> bool:
    """Whether a side is the column itself: a cast computes a new value, save one to text from varchar or a domain."""
    if "::" not in text:
        return True
    if not is_column(text):
        return False
    known = relation.column(column.column) if relation is not None else None
    return known is None or known.type.startswith(("character varying", "varchar", "text")) or _may_be_domain(known)


def _may_be_domain(column: Column) -> bool:
    """Whether a column whose values are taken as text is of a domain over text, which the planner looks through.

    Of types that are no built-in ones an enum, whose cast computes its label, has four bytes, text any number of them.
    """
    plain = column.type.partition("(")[0]
    built_in = plain in _BUILT_IN or plain.endswith(("range", "[]"))
    return column.type_length == _ANY_LENGTH and not built_in


_ANY_LENGTH = -1
_BUILT_IN = frozenset(
    {"numeric", "bytea", "json", "jsonb", "jsonpath", "xml", "inet", "cidr", "bit", "bit varying", "character"}
    | {"tsvector", "tsquery", "path", "polygon", "pg_snapshot", "txid_snapshot", "refcursor"}
)
"""Types of any length as format_type prints them, whose cast to text computes one."""


def kind_of(clause: Clause, relation: Relation | None = None) -> ClauseKind:
    """The clause's kind; `relation` tells a free cast from one that computes."""
    if clause.subplans:
        return "other"
    if clause.operator == "OR":
        return "either"
    column = compared_column(clause, relation)
    if column is None:
        return "expression" if clause.columns else "other"
    if clause.operator in _EQUALITY:
        return "equality"
    if clause.operator in _RANGE:
        return "range"
    if clause.operator in _PATTERN:
        return "pattern"
    if clause.operator in ("IS NULL", "NOT IS NULL"):
        return "null_test"
    if clause.operator in ("", "NOT"):
        return "flag"
    return "other"


def values_listed(clause: Clause) -> int:
    """How many values an equality names: those of a list (`= ANY ('{a,b}'::text[])`), else one."""
    _, opened, rest = (clause.constant or "").partition("'{")
    inner, closed, _ = rest.rpartition("}'")
    if clause.operator != "= ANY" or not opened or not closed:
        return 1
    return max(len(next(csv.reader([inner], escapechar="\\"), [])), 1)


def expression_side(clause: Clause) -> str | None:
    """What a clause computes from columns and compares or asks about, in the server's spelling."""
    asked = tested(clause)
    if asked is not None:
        return asked
    if clause.left_columns and not clause.right_columns:
        return clause.left_text or None
    if clause.right_columns and not clause.left_columns:
        return clause.right_text or None
    return None
