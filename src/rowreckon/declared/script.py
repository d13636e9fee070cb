"""A file of SQL taken apart into statements: psql's commands and the rows of COPY are passed over, no quote is missed.

The scanner is given no more of the file than a statement needs, so that time and memory follow the file's length. A
window ends before the next backslash, where a psql command may stand, unless a statement reaches over it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from rowreckon.sql.grammar import NotSql, Token, scan
from rowreckon.sql.statements import StatementEnd

_FIRST_WINDOW: Final = 4 * 1024
_WIDEST: Final = 64 * 1024
"""What is scanned at once beyond what one statement needs (characters)."""
_SCANNED_AGAIN: Final = 8
"""How often the file may be scanned over in all, in its own lengths; what is left then is not read."""
_FREE: Final = 4 * 1024 * 1024
_COPY_ENDS: Final = re.compile(r"^\\\.[ \t\r]*$", re.M)
_BLANK: Final = re.compile(r"\s*")


@dataclass(frozen=True, slots=True)
class Part:
    """A statement of a script without its semicolon, or what is none: `trouble` says why, in words without a place.

    `line` is where it begins. `command` is a psql command's word, such as `\\i`, and `words` are a statement's first
    words in lower case, by which statements that need no reading are told.
    """

    text: str
    line: int
    words: tuple[str, ...] = ()
    command: str | None = None
    trouble: str | None = None


def parts(text: str) -> Iterator[Part]:
    """The statements and psql commands of a script, in order. Never raises: what can't be read says so."""
    at, lines, budget = 0, _Lines(text), _SCANNED_AGAIN * len(text) + _FREE
    window = _FIRST_WINDOW
    while True:
        at = _BLANK.match(text, at).end()  # type: ignore[union-attr]
        if at >= len(text):
            return
        if text[at] == "\\":
            end = _end_of_line(text, at)
            command = text[at:end].split()[0]
            yield Part(text[at:end].rstrip(), lines.at(at), command=command)
            at, window = end, _FIRST_WINDOW
            continue
        found, at, spent = _window(text, at, window, lines)
        yield from found
        budget -= spent
        if found and found[-1].words[:1] == ("copy",) and _reads_rows(found[-1].text):
            at, window = _after_rows(text, at), _FIRST_WINDOW
        else:
            window = min(2 * window, _WIDEST)
        if budget < 0:
            yield Part(text[at:], lines.at(at), trouble="the rest of the file changes too often between SQL and psql")
            return


def _window(text: str, at: int, window: int, lines: _Lines) -> tuple[list[Part], int, int]:
    """The whole statements from a place on, where the next begins, and how many characters that scanned."""
    spent = 0
    backslash = text.find("\\", at, at + window)
    if backslash > at:
        tokens, _ = _tokens(text[at:backslash])
        spent = backslash - at
        found, after = _statements(text, at, tokens, lines)
        if found or after > at:
            return found, after, spent
    while True:
        end = min(at + window, len(text))
        tokens, trouble = _tokens(text[at:end])
        spent += end - at
        found, after = _statements(text, at, tokens, lines)
        if found or after > at:
            return found, after, spent
        if end == len(text):
            rest = text[at:].rstrip()
            if not [t for t in tokens if t.kind != "comment"] and trouble is None:
                return [], len(text), spent
            words = tuple(t.text.lower() for t in tokens if t.kind != "comment")[:6]
            return [Part(rest, lines.at(at), words, trouble=trouble)], len(text), spent
        window *= 2


def _statements(text: str, at: int, tokens: tuple[Token, ...], lines: _Lines) -> tuple[list[Part], int]:
    """The statements that end among the tokens, up to a psql command or the rows of COPY, and where they end."""
    found: list[Part] = []
    after, first = at, None
    words: list[str] = []
    end = StatementEnd()
    for token in tokens:
        if token.kind == "comment":
            continue
        if token.text == "\\" and first is None:
            return found, at + token.start
        if end.reached(token):
            if first is not None:
                begins = at + first
                found.append(Part(text[begins : at + token.start], lines.at(begins), tuple(words)))
            after = at + token.end
            if words[:1] == ["copy"]:
                return found, after
            first, words, end = None, [], StatementEnd()
            continue
        if first is None:
            first = token.start
        if len(words) < 6:
            words.append(token.text.lower())
    return found, after


def _tokens(text: str) -> tuple[tuple[Token, ...], str | None]:
    """The tokens of a window up to what can't be read, and what that is."""
    try:
        return scan(text), None
    except NotSql as error:
        trouble = "a string, name or comment never ends" if error.reason.startswith("unterminated") else error.reason
        if not error.at:
            return (), trouble
        try:
            return scan(text[: error.at]), trouble
        except NotSql:
            return (), trouble


def _reads_rows(statement: str) -> bool:
    tokens, _ = _tokens(statement)
    told = [token for token in tokens if token.kind != "comment"]
    return any(one.says("from") and other.says("stdin") for one, other in pairwise(told))


def _after_rows(text: str, at: int) -> int:
    """The place after the rows of COPY FROM stdin, which end with a line of `\\.`."""
    end = _COPY_ENDS.search(text, _end_of_line(text, at))
    return len(text) if end is None else end.end()


def _end_of_line(text: str, at: int) -> int:
    end = text.find("\n", at)
    return len(text) if end < 0 else end


class _Lines:
    """Line numbers of places that only ever go forward."""

    def __init__(self, text: str) -> None:
        self._text, self._at, self._line = text, 0, 1

    def at(self, place: int) -> int:
        """The line, from 1, in which a place lies that is not before the last one asked for."""
        if place > self._at:
            self._line += self._text.count("\n", self._at, place)
            self._at = place
        return self._line
