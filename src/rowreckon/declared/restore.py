"""Statistics dumps of PostgreSQL 18: calls of pg_restore_relation_stats and pg_restore_attribute_stats.

They are pairs of a name and a value; the values are kept as their text, and checked when the facts are made.
Source: the PostgreSQL 18 manual, "Database Object Statistics Manipulation Functions".
"""

from __future__ import annotations

import math
from typing import Any, Final

from rowreckon.sql.tree import inner, kind_of, strings

from .schema import Schema
from .trees import is_on
from .working import CannotApply, Column

RELATION: Final = "pg_restore_relation_stats"
ATTRIBUTE: Final = "pg_restore_attribute_stats"
_MOST_PAGES: Final = 2**32 - 1


def restore(schema: Schema, function: str, arguments: Any) -> None:
    """One call. Raises CannotApply for values that no dump holds."""
    given = _pairs(arguments)
    home, name = given.get("schemaname"), given.get("relname")
    if home is None or name is None:
        raise CannotApply("it does not say of which relation")
    if function == RELATION:
        _relation(schema, home, name, given)
    else:
        _attribute(schema, home, name, given)


def _relation(schema: Schema, home: str, name: str, given: dict[str, str]) -> None:
    pages = _number(given, "relpages", _MOST_PAGES)
    rows = _number(given, "reltuples", 1e100, least=-1.0)
    found = schema.indexes.get((home, name))
    target: Any = found[1] if found is not None else schema.table(home, name)
    target.relpages = None if pages is None else int(pages)
    target.reltuples = rows if rows is not None and rows >= 0 else None
    if found is None:
        visible = _number(given, "relallvisible", _MOST_PAGES)
        target.relallvisible = None if visible is None else int(visible)


def _attribute(schema: Schema, home: str, name: str, given: dict[str, str]) -> None:
    if (home, name) in schema.indexes:
        return  # an expression's statistics, which have no place among the facts of columns
    column_name = given.get("attname")
    if column_name is None:
        raise CannotApply("it does not say of which column")
    table = schema.table(home, name)
    column = table.columns.get(column_name)
    if column is None:
        if table.columns_whole:
            raise CannotApply("no file makes its column")
        column = Column(column_name, "unknown")
        schema.add_column(table, column)
    inherited = is_on(given.get("inherited", "false"))
    column.statistics = {**(column.statistics or {}), inherited: given}


def _pairs(arguments: Any) -> dict[str, str]:
    """The arguments by name; those whose value is no constant are left out."""
    values = [_constant(node) for node in arguments]
    names, rest = values[::2], values[1::2]
    return {name: value for name, value in zip(names, rest, strict=False) if name is not None and value is not None}


def _constant(node: Any) -> str | None:
    """A constant's text, casts and signs taken off; None for null and for anything else."""
    value: Any = inner(node)
    while value is not None and kind_of(value) == "TypeCast":
        value = inner(value.arg)
    if value is None:
        return None
    if kind_of(value) == "A_Expr" and strings(value.name) == ("-",) and not value.HasField("lexpr"):
        below = _constant(value.rexpr)
        return None if below is None else f"-{below}"
    if kind_of(value) != "A_Const" or value.isnull:
        return None
    which = value.WhichOneof("val")
    held = getattr(value, which)
    if which == "ival":
        return str(held.ival)
    if which == "fval":
        return str(held.fval)
    if which == "boolval":
        return "true" if held.boolval else "false"
    return str(held.sval) if which == "sval" else None


def _number(given: dict[str, str], name: str, most: float, least: float = 0.0) -> float | None:
    if name not in given:
        return None
    try:
        value = float(given[name])
    except ValueError:
        value = math.nan
    if not least <= value <= most:
        raise CannotApply("one of its numbers is none that a server writes")
    return value
