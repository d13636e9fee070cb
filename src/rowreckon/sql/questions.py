"""What is asked of a text without a need for its whole tree: by words that rule it out first, then by the grammar.

A key word can't be spelled otherwise, so a text without it is answered without loading the grammar.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from google.protobuf.message import Message

_REMOVE_DUPLICATES = ("distinct", "group", "union", "intersect", "except")
_SIGNS = frozenset("-+*/<>=~!@#%^&|?")
_OF_THE_SESSION = ("current", "localtime", "session", "user", "system")


@lru_cache(maxsize=1000)
def removes_duplicates(query: str) -> bool:
    """Whether a SELECT within the query's own has DISTINCT or GROUP BY, or any a set operation; True for a text that is
    no SQL. What the outermost SELECT groups is grouped above all its joins."""
    from rowreckon.sql.grammar import NotSql

    if not _holds(query, _REMOVE_DUPLICATES):
        return False
    try:
        selects = [m for m in _messages(query) if m.DESCRIPTOR.name == "SelectStmt"]
    except NotSql:
        return True
    operations = any(m.HasField("larg") for m in selects)  # the two queries that a set operation joins
    return operations or any(len(m.distinct_clause) or len(m.group_clause) for m in selects[1:])


@lru_cache(maxsize=1000)
def relations_named(query: str) -> frozenset[str]:
    """The relations that a query names, without their schemas; none for a text that is no SQL."""
    from rowreckon.sql.grammar import NotSql

    try:
        return frozenset(m.relname for m in _messages(query) if m.DESCRIPTOR.name == "RangeVar")
    except NotSql:
        return frozenset()


@lru_cache(maxsize=1000)
def sorts_rows(query: str) -> bool:
    """Whether a SELECT of the query has an ORDER BY of its rows; False for a text that is no SQL."""
    from rowreckon.sql.grammar import NotSql

    if not _holds(query, ("order",)):
        return False
    try:
        return any(m.DESCRIPTOR.name == "SelectStmt" and len(m.sort_clause) for m in _messages(query))
    except NotSql:
        return False


@lru_cache(maxsize=1000)
def orders_aggregates(query: str) -> bool:
    """Whether an aggregate of the query wants its rows in order: DISTINCT, ORDER BY or WITHIN GROUP in its brackets;
    False for a text that is no SQL."""
    from rowreckon.sql.grammar import NotSql

    if not _holds(query, ("distinct", "order", "within")):
        return False
    try:
        calls = (m for m in _messages(query) if m.DESCRIPTOR.name == "FuncCall")
        return any(c.agg_distinct or c.agg_within_group or len(c.agg_order) for c in calls)
    except NotSql:
        return False


@lru_cache(maxsize=1000)
def first_of_equals(query: str, column: str) -> str:
    """Of the columns that equalities of the query make equal to one (`alias.column`), the one that its text names
    first; the column itself where there are none, or the text is no SQL.

    The planner lets the first stand for all where it counts groups. Source: process_equivalence in
    optimizer/path/equivclass.c.
    """
    from rowreckon.sql.grammar import NotSql

    classes: list[list[str]] = []
    try:
        for one, other in _equalities(query):
            mine = next((c for c in classes if one in c), [])
            its = next((c for c in classes if other in c), [])
            if not mine or mine is not its:
                others = [c for c in classes if c is not mine and c is not its]
                members = [*mine, *its, *([] if mine else [one]), *([] if its else [other])]
                classes = [*others, members]
    except NotSql:
        return column
    return next((c[0] for c in classes if column in c), column)


def _equalities(query: str) -> Iterator[tuple[str, str]]:
    from rowreckon.sql.tree import strings

    for message in _messages(query):
        if message.DESCRIPTOR.name != "A_Expr" or strings(message.name)[-1:] != ("=",):
            continue
        sides = message.lexpr, message.rexpr
        names = [strings(s.column_ref.fields) for s in sides if s.WhichOneof("node") == "column_ref"]
        if [len(n) for n in names] == [2, 2]:
            yield ".".join(names[0]), ".".join(names[1])


@lru_cache(maxsize=1000)
def depends_on_session(expression: str) -> bool:
    """Whether an expression names the user, the time or the schema of the session (CURRENT_USER and the like).

    True for a text that is no SQL. Functions are no part of this: they stand in the clause's own list.
    """
    from rowreckon.sql.grammar import NotSql

    if not _holds(expression, _OF_THE_SESSION):
        return False
    from rowreckon.sql.expression import read_expression
    from rowreckon.sql.tree import every_message

    try:
        return any(m.DESCRIPTOR.name == "SQLValueFunction" for m in every_message(read_expression(expression).node))
    except NotSql:
        return True


@lru_cache(maxsize=1000)
def cast_types(expression: str) -> frozenset[str]:
    """Names of the types that an expression casts to, without a schema, as PostgreSQL stores them (`varbit`, `int4`).

    None of a text that is no SQL.
    """
    if "::" not in expression:
        return frozenset()
    from rowreckon.sql.expression import read_expression
    from rowreckon.sql.grammar import NotSql
    from rowreckon.sql.tree import every_message, strings

    try:
        messages = list(every_message(read_expression(expression).node))
    except NotSql:
        return frozenset()
    return frozenset(strings(m.type_name.names)[-1] for m in messages if m.DESCRIPTOR.name == "TypeCast")


def operators_and_lists(expression: str) -> tuple[int, tuple[int, ...]]:
    """How many operators stand between two operands of an expression, and how many elements each array constant has.

    Nothing of a text that is no SQL.
    """
    from rowreckon.sql.grammar import NotSql, scan

    try:
        tokens = scan(expression)
    except NotSql:
        return 0, ()
    signs = [t for t in tokens if t.kind == "symbol" and set(t.text) <= _SIGNS]
    between = [t for t in signs if expression[t.start - 1 : t.start] == expression[t.end : t.end + 1] == " "]
    arrays = [t.text for t in tokens if t.kind == "string" and t.text.startswith("'{") and t.text.endswith("}'")]
    return len(between), tuple(text.count(",") + 1 for text in arrays)


def _holds(text: str, words: tuple[str, ...]) -> bool:
    folded = text.lower()
    return any(word in folded for word in words)


def _messages(query: str) -> Iterator[Message]:
    from rowreckon.sql.grammar import parse
    from rowreckon.sql.tree import every_message

    return every_message(parse(query))
