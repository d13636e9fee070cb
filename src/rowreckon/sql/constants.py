"""The constants of a statement, as the grammar sees them: which words are values, which numbers are none.

In comes a text that parses, with its tokens; out come places in it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from rowreckon.sql.grammar import Token, parse

LAST_POSITION: Final = 1664
"""The most columns that a position in ORDER BY can name (MaxTupleAttributeNumber); a larger number is a value."""

_What = Literal["kept", "values", "numbers"]
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
    strings, which may be written as words (`SET application_name TO word`). `numbers` are those that are values where a
    string may stand as well, a minus sign before them included; elsewhere the grammar wants a number. `until` is how
    many characters were read.
    """

    kept: frozenset[int] = frozenset()
    values: frozenset[int] = frozenset()
    numbers: frozenset[int] = frozenset()
    until: int = 0


def read_places(text: str, tokens: Sequence[Token]) -> Places:
    """The places in a text of whole statements, whose tokens these are. Raises NotSql."""
    found: dict[_What, set[int]] = {"kept": set(), "values": set(), "numbers": set()}
    for place, what in _constants(parse(text)):
        found[what].add(place)
    if not text.isascii() and any(found.values()):
        characters = _characters(text, tokens)
        found = {w: {characters[place] for place in there if place in characters} for w, there in found.items()}
    return Places(frozenset(found["kept"]), frozenset(found["values"]), frozenset(found["numbers"]), len(text))


def _constants(tree: Any) -> Iterator[tuple[int, _What]]:
    """The place of each constant that matters (in bytes), and what it is."""
    stack: list[tuple[Any, str]] = [(tree, "")]
    while stack:
        message, role = stack.pop()
        kind = message.DESCRIPTOR.name
        if kind == "A_Const":
            which = message.WhichOneof("val")
            if which == "sval" and role != _NAME:
                yield message.location, "values"
            elif which == "ival" and (role == _MODIFIER or (role == _POSITION and message.ival.ival <= LAST_POSITION)):
                yield message.location, "kept"
            elif which in ("ival", "fval"):
                yield message.location, "numbers"
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
