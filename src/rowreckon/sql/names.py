"""The names in SQL text that are its author's: which they are, and the text with others in their place.

A word is somebody's name unless it is a key word, a notation of EXPLAIN's, or stands where a function or a type does
and PostgreSQL has one of that name built in. In doubt it is a name.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import lru_cache
from importlib.resources import files
from typing import Final

from rowreckon.sql.grammar import NotSql, Token, scan

_NOTATIONS: Final = frozenset(
    {"subplan", "initplan", "multiexpr", "hashed", "rescan", "returns", "alternatives", "excluded", "pg_catalog"}
)


@lru_cache(maxsize=1)
def built_in_names() -> frozenset[str]:
    """Functions and types of the schema pg_catalog in PostgreSQL 13 to 18, their union.

    Read from pg_proc and pg_type of a server of each release: masking works without one, and the grammar's library
    knows no catalog. For a new release, sort in the names that tests/sql/test_names.py finds missing.
    """
    text = files("rowreckon.sql").joinpath("built_in_names.txt").read_text("utf-8")
    return frozenset(text.split())


def unquoted(name: str) -> str:
    """A name as the server stores it, for one in quotation marks or folded to lower case without."""
    if name.startswith('"') and len(name) > 1:
        return name[1:-1].replace('""', '"')
    return name.lower() if name.isascii() else name


def author_names(text: str) -> frozenset[str]:
    """All names of this kind; none of a text that is no SQL."""
    try:
        tokens = scan(text)
    except NotSql:
        return frozenset()
    return frozenset(unquoted(tokens[number].text) for number in _author_names(tokens))


def with_names(text: str, renamed: Callable[[Token, bool], str]) -> str:
    """The text with what `renamed` gives for each token; it is told whether that is an author's name. Raises NotSql."""
    tokens = scan(text)
    mine = frozenset(_author_names(tokens))
    pieces: list[str] = []
    end = 0
    for number, token in enumerate(tokens):
        pieces += text[end : token.start], renamed(token, number in mine)
        end = token.end
    return "".join((*pieces, text[end:]))


def _author_names(tokens: Sequence[Token]) -> Iterator[int]:
    for number, token in enumerate(tokens):
        if token.kind in ("word", "name") and _is_authors(tokens, number):
            yield number


def _is_authors(tokens: Sequence[Token], number: int) -> bool:
    token = tokens[number]
    before, after = _text(tokens, number - 1), _text(tokens, number + 1)
    name = unquoted(token.text)
    if token.text == "…" or name in _NOTATIONS:
        return False
    if before == ".":
        # (InitPlan 1).col1 is EXPLAIN's; pg_catalog.lower( is the server's.
        column = _text(tokens, number - 2) == ")" and name.startswith("col") and name[3:].isdigit()
        return not column and not (_text(tokens, number - 2) == "pg_catalog" and name in built_in_names())
    if after == ".":
        return True
    if token.kind == "word" and token.keyword:
        return False
    return not ((after == "(" or before == "::") and name in built_in_names())


def _text(tokens: Sequence[Token], number: int) -> str:
    return tokens[number].text if 0 <= number < len(tokens) else ""
