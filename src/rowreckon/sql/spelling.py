"""Expressions in the server's own spelling, with the alias taken off, so that they can stand in a statement on the
table itself."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rowreckon.sql.grammar import Token


def without_alias(text: str, alias: str | None) -> str:
    """The expression with `alias.` taken off its columns; a function's schema of the same name stays.

    A text that is no SQL stays as it is.
    """
    if alias is None:
        return text
    tokens = _tokens(text)
    out: list[str] = []
    end = at = 0
    while at < len(tokens):
        out.append(text[end : tokens[at].start])
        if _qualifies(tokens, at, alias):
            at += 2
        end = tokens[at].end
        out.append(tokens[at].text)
        at += 1
    return "".join((*out, text[end:]))


def names_of(text: str) -> frozenset[str]:
    """All words and quoted names of an expression, as the server stores them; none of a text that is no SQL."""
    from rowreckon.sql.names import unquoted

    return frozenset(unquoted(token.text) for token in _tokens(text) if token.kind in ("word", "name"))


def _qualifies(tokens: Sequence[Token], at: int, alias: str) -> bool:
    """Whether the token is the alias before a column."""
    from rowreckon.sql.names import unquoted

    texts = [token.text for token in tokens[at + 1 : at + 4]]
    return (
        tokens[at].kind in ("word", "name")
        and unquoted(tokens[at].text) == alias
        and texts[:1] == ["."]
        and len(texts) > 1
        and tokens[at + 2].kind in ("word", "name")
        and texts[2:] != ["("]
        and not (at > 0 and tokens[at - 1].text == ".")
    )


def _tokens(text: str) -> Sequence[Token]:
    from rowreckon.sql.grammar import NotSql, scan

    try:
        return scan(text)
    except NotSql:
        return ()
