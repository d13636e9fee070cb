"""Tables, literals and new names as SQL text."""

from __future__ import annotations

import re

from rowreckon.remedies.subject import TableName
from rowreckon.sql.keywords import quote_name

_MAX_BYTES = 63


def quote_table(table: TableName) -> str:
    """A relation, with its schema where known."""
    return ".".join(quote_name(part) for part in (table.schema, table.name) if part)


def quote_literal(text: str) -> str:
    """A string constant as SQL text, whatever standard_conforming_strings says."""
    doubled = text.replace("'", "''")
    return "E'" + doubled.replace("\\", "\\\\") + "'" if "\\" in text else f"'{doubled}'"


def name_of_expression(text: str) -> str:
    """What an object made for an expression is named by: its words, never its literals, which may be anybody's data."""
    from rowreckon.sql.grammar import NotSql, scan

    try:
        tokens = scan(text)
    except NotSql:
        return "expression"
    return "_".join(token.text for token in tokens if token.kind in ("word", "name")) or "expression"


def fitting_name(*parts: str) -> str:
    """A new object's name made of parts, cut to PostgreSQL's 63 bytes; the last part, its kind, is kept whole."""
    *head, kind = parts
    room = _MAX_BYTES - len(kind.encode()) - 1
    stem = "_".join(re.sub(r"\W+", "_", part).strip("_") or "x" for part in head)
    while len(stem.encode()) > room:
        stem = stem[:-1]
    return f"{stem.rstrip('_')}_{kind}"
