"""The constants of a statement, as the grammar sees them: which words are values, which numbers are none.

In comes a text that parses, with its tokens; out come places in it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

from rowreckon.sql.grammar import Token, parse

LAST_POSITION: Final = 1664
"""A position in ORDER BY names one of at most so many columns (MaxTupleAttributeNumber); a larger number is a value."""

_MODIFIER: Final = "modifier"
_POSITION: Final = "position"
_NAME: Final = "name"
# Settings whose values are names.
_NAMED_BY: Final = frozenset({"search_path", "role", "session_authorization", "default_table_access_method"})
_FIELDS: Final = {
    ("TypeName", "typmods"): _MODIFIER,
    ("SortBy", "node"): _POSITION,
    ("SelectStmt", "group_clause"): _POSITION,
}


@dataclass(frozen=True, slots=True)
class Places:
    """Characters of a text at which constants begin.

    `kept` are whole numbers that are no values: modifiers of types, positions in ORDER BY and GROUP BY. `values` are
    strings, which may be written as words (`SET application_name TO word`).
    """

    kept: frozenset[int] = frozenset()
    values: frozenset[int] = frozenset()


def read_places(text: str, tokens: Sequence[Token]) -> Places:
    """The places in a text of whole statements, whose tokens these are. Raises NotSql."""
    kept: set[int] = set()
    values: set[int] = set()
    for place, is_value in _constants(parse(text)):
        (values if is_value else kept).add(place)
    if not text.isascii() and (kept or values):
        characters = _characters(text, tokens)
        kept = {characters[place] for place in kept if place in characters}
        values = {characters[place] for place in values if place in characters}
    return Places(frozenset(kept), frozenset(values))


def _constants(tree: Any) -> Iterator[tuple[int, bool]]:
    """The place of each constant that matters (in bytes), and whether it is a string."""
    stack: list[tuple[Any, str]] = [(tree, "")]
    while stack:
        message, role = stack.pop()
        kind = message.DESCRIPTOR.name
        if kind == "A_Const":
            which = message.WhichOneof("val")
            if which == "sval" and role != _NAME:
                yield message.location, True
            elif which == "ival" and (role == _MODIFIER or (role == _POSITION and message.ival.ival <= LAST_POSITION)):
                yield message.location, False
            continue
        handed_on = role if kind == "Node" else ""
        if kind == "VariableSetStmt" and message.name in _NAMED_BY:
            handed_on = _NAME
        for field, value in message.ListFields():
            if field.message_type is None:
                continue
            below = _FIELDS.get((kind, field.name), handed_on)
            if field.is_repeated:
                stack.extend((item, below) for item in value)
            else:
                stack.append((value, below))


def _characters(text: str, tokens: Sequence[Token]) -> dict[int, int]:
    """The character at which each token begins, by its byte."""
    found: dict[int, int] = {}
    at = byte = 0
    for token in tokens:
        byte += len(text[at : token.start].encode())
        at = token.start
        found[byte] = at
    return found
