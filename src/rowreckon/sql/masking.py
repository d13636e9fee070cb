"""SQL text without its literals: each becomes '***', comments go; names, types and structure stay.

A number becomes the same string, which no reader takes for a number that was there; 0 stands for it only where the
grammar takes nothing but a number, as in options of a CREATE statement.

PostgreSQL's scanner says where a literal begins and ends, its grammar which words are values (`SET x TO word`) and
which numbers belong to a type (`varchar(20)`) or are positions (`ORDER BY 1`). What neither could read, such as the
end of a text that was cut short, is not called masked: it is left out, and '…' stands in its place.

Masking what is masked changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from rowreckon.sql.constants import Places, read_places
from rowreckon.sql.grammar import NotSql, Token, scan

MASKED: Final = "***"
"""What stands in a string in place of its characters."""
UNREAD: Final = "…"
"""What stands for text that could not be read."""

_STRING: Final = f"'{MASKED}'"
_MOST_CUTS: Final = 4
_MOST_KEPT: Final = 20_000
_LONGEST_KEPT: Final = 2_000
_NO_PLACES: Final = Places()

# Words that the grammar takes where a string may stand, and that are PostgreSQL's own: fields of EXTRACT (manual,
# "EXTRACT, date_part"), values of settings that change plans (manual, "Query Planning").
_OWN_WORDS_TEXT: Final = """
    century day days decade dow doy epoch hour hours isodow isoyear julian microseconds millennium milliseconds minute
    minutes month months quarter second seconds timezone timezone_hour timezone_minute week year years auto
    force_custom_plan force_generic_plan partition regress
"""
_OWN_WORDS: Final = frozenset(_OWN_WORDS_TEXT.split())
_PLAN_PARTS: Final = ("subplan", "initplan", "multiexpr")
_TYPE_GOES_ON: Final = ("varying", "precision", "second", "to", "day", "hour", "minute")


def mask_statement(text: str) -> str:
    """A query or several, whole or cut short, as somebody wrote it.

    What stands behind the place where PostgreSQL's grammar gives up may be anything, such as the rows behind a COPY,
    and is left out.
    """
    return _remembered(text, True) if len(text) <= _LONGEST_KEPT else _masked(text, True)


def mask_expression(text: str) -> str:
    """A condition, an expression or a list of them as a server prints it, EXPLAIN's own notations included."""
    return _remembered(text, False) if len(text) <= _LONGEST_KEPT else _masked(text, False)


@lru_cache(maxsize=_MOST_KEPT)
def _remembered(text: str, statement: bool) -> str:
    return _masked(text, statement)


def _masked(text: str, statement: bool) -> str:
    if not text.strip():
        return text
    tokens, read = _readable(text)
    places = _NO_PLACES
    if statement:
        places, known = _places(text[:read], tokens)
        read = min(read, known)
        tokens = [token for token in tokens if token.end <= read] if read < len(text) else tokens
    unsure = next((n for n, token in enumerate(tokens) if _ends_unsurely(token) or _begins_a_literal(token)), None)
    if unsure is not None:
        tokens, read = tokens[:unsure], 0
    body = "".join(_Masker(text, tokens, places, printed=not statement).pieces()).strip()
    if read == len(text):
        return body
    return f"{body} {UNREAD}" if body else UNREAD


def _readable(text: str) -> tuple[list[Token], int]:
    """The tokens from the beginning as far as the scanner goes, and up to which character that is."""
    read = len(text)
    for _ in range(_MOST_CUTS):
        try:
            return list(scan(text[:read])), read
        except NotSql as error:
            if error.at is None or error.at >= read:
                break
            read = error.at
    return [], 0


def _places(text: str, tokens: Sequence[Token]) -> tuple[Places, int]:
    """What the grammar tells of a statement, and up to which character it goes."""
    try:
        return read_places(text, tokens), len(text)
    except NotSql as error:
        cut = error.at or 0
    whole = max((token.end for token in tokens if token.text == ";" and token.end <= cut), default=0)
    try:
        places = read_places(text[:whole], [token for token in tokens if token.end <= whole])
    except NotSql:
        return _NO_PLACES, 0
    return places, _before_values([token for token in tokens if token.start >= whole and token.end <= cut], cut)


def _before_values(broken: Sequence[Token], cut: int) -> int:
    """Up to where a statement that can't be parsed holds no value that looks like a word: those stand behind SET."""
    said = [token for token in broken if token.kind != "comment"]
    if said and said[0].says("set", "alter", "create"):
        return next((token.end for token in said if token.says("set")), cut)
    return cut


def _begins_a_literal(token: Token) -> bool:
    """Whether it is a `$` alone, as where a text was cut in the words that begin a string between dollars."""
    return token.kind == "symbol" and token.text.startswith("$")


def _ends_unsurely(token: Token) -> bool:
    """Whether a string would end elsewhere with standard_conforming_strings off: a backslash stands before a quote."""
    if not token.text.startswith("'") or "\\'" not in token.text:
        return False
    escaped = False
    for character in token.text[1:]:
        if character == "'" and escaped:
            return True
        escaped = character == "\\" and not escaped
    return False


@dataclass(slots=True)
class _Masker:
    """Masks token after token; `printed` texts are a server's, which have notations and no words for values."""

    text: str
    tokens: Sequence[Token]
    places: Places
    printed: bool

    def pieces(self) -> Iterator[str]:
        """The masked text piece by piece."""
        end = self.tokens[0].start if self.tokens else 0
        number = 0
        while number < len(self.tokens):
            token = self.tokens[number]
            if token.start > end:
                gap = self.text[end : token.start]
                yield gap if gap.isspace() else " "
            step, piece = self._piece(number, token)
            yield piece
            end = self.tokens[number + step - 1].end
            number += step

    def _piece(self, number: int, token: Token) -> tuple[int, str]:
        """How many tokens this one takes with it, and what is left of them."""
        if token.kind == "comment":
            return 1, " "
        if token.kind == "string":
            if self._says(number - 1, "uescape") and self._is_name_with_escapes(number - 2):
                return 1, token.text
            escapes = token.text[:2].lower() == "u&" and self._says(number + 1, "uescape")
            return 3 if escapes and number + 2 < len(self.tokens) else 1, masked_string(token.text)
        if token.kind == "number":
            return 1, self._number(number)
        if token.text == "-" and token.start in self.places.numbers:
            return 2, _STRING
        if token.kind == "word" and self._is_value(number):
            return 1, _STRING
        return 1, token.text

    def _says(self, number: int, *words: str) -> bool:
        return 0 <= number < len(self.tokens) and self.tokens[number].says(*words)

    def _is(self, number: int, text: str) -> bool:
        return 0 <= number < len(self.tokens) and self.tokens[number].text == text

    def _is_name_with_escapes(self, number: int) -> bool:
        return number >= 0 and self.tokens[number].kind == "name" and self.tokens[number].text[:2].lower() == "u&"

    def _is_value(self, number: int) -> bool:
        """Whether a word stands for a string."""
        token = self.tokens[number]
        if token.keyword or token.text.lower() in _OWN_WORDS:
            return False
        extracted = self._is(number - 1, "(") and self._says(number - 2, "extract") and self._says(number + 1, "from")
        return extracted or token.start in self.places.values

    def _number(self, number: int) -> str:
        """What is left of a number."""
        token = self.tokens[number]
        if self._is_no_value(number):
            return token.text
        wanted = token.end <= self.places.until and token.start not in self.places.numbers
        return "0" if wanted else _STRING

    def _is_no_value(self, number: int) -> bool:
        """Whether a number is a type's modifier, a position, or the number of a part of the plan."""
        if self.tokens[number].start in self.places.kept:
            return True
        return self.printed and (self._says(number - 1, *_PLAN_PARTS) or self._is_modifier(number))

    def _is_modifier(self, number: int) -> bool:
        """Whether it stands in the brackets of a type that stands behind `::`."""
        at = number - 1
        while self._is(at, ",") and self.tokens[at - 1].kind == "number":
            at -= 2
        if not self._is(at, "("):
            return False
        at -= 1
        while self._says(at, *_TYPE_GOES_ON):
            at -= 1
        while self._is(at - 1, "."):
            at -= 2
        return at > 0 and self.tokens[at].kind in ("word", "name") and self._is(at - 1, "::")


def masked_string(literal: str) -> str:
    """A string literal as the grammar has it, masked; what looks like an array keeps its number of elements."""
    begin = literal.find("'")
    if begin not in (0, 1):
        return _STRING
    body = literal[begin + 1 : -1]
    if body.startswith("{") and body.endswith("}"):
        return "'{" + ",".join([MASKED] * _elements(body[1:-1])) + "}'"
    return _STRING


def _elements(body: str) -> int:
    """Number of elements of an array literal's inside, commas between quotation marks not counted."""
    if '"' not in body:
        return body.count(",") + 1 if body else 0
    commas = 0
    quoted = escaped = False
    for character in body:
        if escaped:
            escaped = False
        elif character == "\\":
            escaped = True
        elif character == '"':
            quoted = not quoted
        elif character == "," and not quoted:
            commas += 1
    return commas + 1
