"""Names and literals as SQL text. The statements are for people to read, so a name is quoted only where it must be.

The rule is that of PostgreSQL's quote_ident(): lower-case letters, digits and underscores, not beginning with a digit,
and no keyword other than an unreserved one.
"""

from __future__ import annotations

import re

from rowreckon.causes.finding import TableName

_PLAIN = re.compile(r"[a-z_][a-z0-9_]*")

# Every keyword of releases 13 to 18 that pg_get_keywords() does not list as unreserved.
_KEYWORDS = """
    all analyse analyze and any array as asc asymmetric authorization between bigint binary bit boolean both
    case cast char character check coalesce collate collation column concurrently constraint create cross
    current_catalog current_date current_role current_schema current_time current_timestamp current_user dec
    decimal default deferrable desc distinct do else end except exists extract false fetch float for foreign
    freeze from full grant greatest group grouping having ilike in initially inner inout int integer intersect
    interval into is isnull join json json_array json_arrayagg json_exists json_object json_objectagg json_query
    json_scalar json_serialize json_table json_value lateral leading least left like limit localtime
    localtimestamp merge_action national natural nchar none normalize not notnull null nullif numeric offset on
    only or order out outer overlaps overlay placing position precision primary real references returning right
    row select session_user setof similar smallint some substring symmetric system_user table tablesample then
    time timestamp to trailing treat trim true union unique user using values varchar variadic verbose when
    where window with xmlattributes xmlconcat xmlelement xmlexists xmlforest xmlnamespaces xmlparse xmlpi
    xmlroot xmlserialize xmltable
"""
_QUOTED_WORDS = frozenset(_KEYWORDS.split())

_MAX_BYTES = 63


def quote_name(name: str) -> str:
    """One identifier as SQL text."""
    if _PLAIN.fullmatch(name) and name not in _QUOTED_WORDS:
        return name
    return '"' + name.replace('"', '""') + '"'


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
