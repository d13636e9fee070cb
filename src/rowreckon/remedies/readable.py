"""Texts of a capture that become part of a statement: read by the grammar and printed anew, or no statement is written.

A capture may come from anywhere, so that an expression, a list of types or an index's definition in it is no SQL until
it was read as just that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from rowreckon.remedies.draft import Draft


class Unreadable(Exception):
    """A text that can't be read as what it should be; the message says what and why, in words."""


def read_expressions(texts: Sequence[str]) -> tuple[str, ...]:
    """Expressions over one table's columns, printed anew. Raises Unreadable."""
    from rowreckon.sql.grammar import NotSql
    from rowreckon.sql.scalar import expression, in_words

    found = []
    for text in texts:
        try:
            found.append(expression(text))
        except NotSql as error:
            raise Unreadable(f"an expression of it can't be read as plain SQL ({in_words(error)})") from None
    return tuple(found)


def read_signature(text: str) -> str:
    """A function's list of argument types, printed anew. Raises Unreadable."""
    from rowreckon.sql.grammar import NotSql
    from rowreckon.sql.scalar import in_words, signature

    try:
        return signature(text)
    except NotSql as error:
        raise Unreadable(f"the function's argument types can't be read ({in_words(error)})") from None


def read_definition(text: str) -> str:
    """A CREATE INDEX statement, printed anew. Raises Unreadable."""
    from rowreckon.remedies.change import read_change
    from rowreckon.sql.grammar import NotSql
    from rowreckon.sql.scalar import in_words

    try:
        change = read_change(text)
    except NotSql as error:
        raise Unreadable(f"the index's definition can't be read ({in_words(error)})") from None
    if change.kind != "index":
        raise Unreadable("the index's definition is another statement")
    return change.text


def without_statements(draft: Draft, why: str) -> Draft:
    """The draft as advice alone, which says why no statement is written for it."""
    return replace(
        draft,
        sql=(),
        sql_trial=(),
        undo=None,
        undo_note=None,
        check_first=None,
        lock=None,
        keys=(),
        cautions=(f"no statement is written for it: {why}", *draft.cautions),
    )
