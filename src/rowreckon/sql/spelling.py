"""Expressions in the server's own spelling: their columns with another alias or none, so that they can stand in a
statement on the table itself; the names in them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from rowreckon.sql.keywords import quote_name

if TYPE_CHECKING:
    from rowreckon.sql.grammar import Token


def without_alias(text: str, alias: str | None) -> str:
    """The expression with `alias.` taken off its columns; a function's schema of the same name stays.

    A text that is no SQL stays as it is.
    """
    return text if alias is None else _with_prefix(text, alias, "")


def with_alias(text: str, alias: str, other: str) -> str:
    """The expression with its columns of `alias` told as those of `other`, in the server's spelling."""
    return _with_prefix(text, alias, f"{quote_name(other)}.")


def is_column(text: str) -> bool:
    """Whether an expression is a bare column, in parentheses or not, taken as text or not; False for what is no SQL."""
    tokens = _tokens(text)
    texts = [token.text for token in tokens]
    if texts[-2:] == ["::", "text"]:
        tokens, texts = tokens[:-2], texts[:-2]
    if texts[:1] == ["("] and texts[-1:] == [")"]:
        tokens, texts = tokens[1:-1], texts[1:-1]
    named = all(token.kind in ("word", "name") for token in tokens[::2])
    return named and (len(tokens) == 1 or (len(tokens) == 3 and texts[1] == "."))


def _with_prefix(text: str, alias: str, prefix: str) -> str:
    tokens = _tokens(text)
    out: list[str] = []
    end = at = 0
    while at < len(tokens):
        out.append(text[end : tokens[at].start])
        if _qualifies(tokens, at, alias):
            out.append(prefix)
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
