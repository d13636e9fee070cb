"""PostgreSQL's lexical rules, as far as it takes to find where a statement ends and which words it is made of.

Written out here because positions, the comments between statements and psql's meta-commands matter, and because one
broken statement must not take the rest of a file with it; sqlglot's tokenizer gives none of the three (and rejects
identifiers that hold a dollar sign).  Source: the PostgreSQL manual, 'Lexical Structure'.  Not modelled:
standard_conforming_strings = off.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

TokenKind = Literal["word", "name", "string", "number", "parameter", "symbol", "comment", "meta", "broken"]

_SPACE = re.compile(r"[ \t\r\n\f\v]+")
_LINE_COMMENT = re.compile(r"--[^\r\n]*")
_WORD = re.compile(r"[A-Za-z_\u0080-\U0010ffff][A-Za-z0-9_$\u0080-\U0010ffff]*")
_NUMBER = re.compile(
    r"0[xX][0-9A-Fa-f_]+|0[oO][0-7_]+|0[bB][01_]+|(?:[0-9][0-9_]*)?\.?[0-9][0-9_]*\.?(?:[eE][+-]?[0-9]+)?"
)
_PARAMETER = re.compile(r"\$[0-9]+")
_DOLLAR = re.compile(r"\$(?:[A-Za-z_\u0080-\U0010ffff][A-Za-z0-9_\u0080-\U0010ffff]*)?\$")
_PLAIN = re.compile(r"'(?:[^']|'')*'")
_ESCAPED = re.compile(r"'(?:[^'\\]|''|\\.)*'", re.DOTALL)
_QUOTED = re.compile(r'"(?:[^"]|"")*"')
_META = re.compile(r"\\[^\r\n]*")
_COMMENT_EDGE = re.compile(r"/\*|\*/")


@dataclass(frozen=True, slots=True)
class Token:
    """A piece of the text: `text` as written, `start` its offset.

    A `broken` token is a string, name or comment that never ends: it reaches to the end of the text.
    """

    kind: TokenKind
    text: str
    start: int

    @property
    def end(self) -> int:
        return self.start + len(self.text)

    def says(self, *words: str) -> bool:
        """Is it one of these key words (given in lower case)?"""
        return self.kind == "word" and self.text.lower() in words


def tokens(text: str) -> Iterator[Token]:
    """The tokens of the text in order, comments included, white space left out.  Never raises."""
    at = 0
    while at < len(text):
        blank = _SPACE.match(text, at)
        if blank:
            at = blank.end()
            continue
        token = _next(text, at)
        yield token
        at = token.end


def _next(text: str, at: int) -> Token:
    two = text[at : at + 2]
    if two == "--":
        return _found("comment", _LINE_COMMENT, text, at)
    if two == "/*":
        return _block_comment(text, at)
    one = text[at]
    if one == "'":
        return _found("string", _PLAIN, text, at)
    if one == '"':
        return _found("name", _QUOTED, text, at)
    if one == "\\":
        return _found("meta", _META, text, at)
    if one == "$":
        return _dollar(text, at)
    if (one.isdigit() and one.isascii()) or (one == "." and two[1:].isdigit()):
        return _found("number", _NUMBER, text, at)
    word = _WORD.match(text, at)
    if word:
        return _word_or_prefixed(text, at, word.group())
    return Token("symbol", one, at)


def _word_or_prefixed(text: str, at: int, word: str) -> Token:
    """A word, or a string or name with a prefix letter (E'', B'', X'', N'', U&'', U&"")."""
    prefix = word.lower()
    if prefix in ("e", "b", "x", "n") and text[at + 1 : at + 2] == "'":
        inner = _found("string", _ESCAPED if prefix == "e" else _PLAIN, text, at + 1)
        return Token(inner.kind, text[at : inner.end], at)
    if prefix == "u" and text[at + 1 : at + 3] in ("&'", '&"'):
        quoted = (
            _found("name", _QUOTED, text, at + 2) if text[at + 2] == '"' else _found("string", _PLAIN, text, at + 2)
        )
        return Token(quoted.kind, text[at : quoted.end], at)
    return Token("word", word, at)


def _dollar(text: str, at: int) -> Token:
    parameter = _PARAMETER.match(text, at)
    if parameter:
        return Token("parameter", parameter.group(), at)
    opening = _DOLLAR.match(text, at)
    if not opening:
        return Token("symbol", "$", at)
    closing = text.find(opening.group(), opening.end())
    if closing < 0:
        return Token("broken", text[at:], at)
    return Token("string", text[at : closing + len(opening.group())], at)


def _block_comment(text: str, at: int) -> Token:
    depth = 0
    for edge in _COMMENT_EDGE.finditer(text, at):
        depth += 1 if edge.group() == "/*" else -1
        if depth == 0:
            return Token("comment", text[at : edge.end()], at)
    return Token("broken", text[at:], at)


def _found(kind: TokenKind, pattern: re.Pattern[str], text: str, at: int) -> Token:
    match = pattern.match(text, at)
    return Token(kind, match.group(), at) if match else Token("broken", text[at:], at)
