"""Splitting a script into its statements by PostgreSQL's scanner: one bad statement does not spoil the others.

A psql command ends with its line; a string, name or comment that never ends reaches to the end of the script.  The body
of a function in SQL (BEGIN ATOMIC … END) is part of its statement, as psql takes it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from google.protobuf.message import Message
    from postgast.pg_query_pb2 import ParseResult

    from .grammar import Token

MOST_TOKENS: Final = 1_000_000
"""Most tokens of one script: five times what a single statement may have."""
_MOST_RESCANS: Final = 200
"""Psql commands with quotes in them after which the scanner begins anew; each costs a scan of what follows."""
_NEVER_ENDS: Final = "a string, name or comment that begins here never ends"
_QUOTES: Final = ("'", '"', "$", "/*", "--")


@dataclass(frozen=True, slots=True)
class Piece:
    """One statement of a script, without its closing semicolon.

    `text` is as written from `start` (a character) on; `trouble` says why it is no statement at all; `name` is what a
    comment `-- name: …` before it says, `about` the comment lines between that and the statement; `sets` whether it
    begins with SET, RESET, PREPARE or DEALLOCATE, which leave the name to the query after them.
    """

    text: str
    start: int
    name: str | None = None
    about: str | None = None
    trouble: str | None = None
    sets: bool = False


@dataclass(frozen=True, slots=True)
class _Bit:
    """A token, or a stretch that is none (with its trouble)."""

    start: int
    end: int
    token: Token | None = None
    trouble: str | None = None
    ends_statement: bool = False


@dataclass(slots=True)
class StatementEnd:
    """Where a statement ends: at a semicolon outside of brackets and of the body of a function in SQL."""

    _first: list[Token] = field(default_factory=list)
    _brackets: int = 0
    _blocks: int = 0

    def reached(self, token: Token) -> bool:
        """Whether the statement ends with this token, the next of it (no comment)."""
        if token.pg == _SEMICOLON and self._brackets <= 0 and not self._blocks:
            return True
        if len(self._first) < _FIRST_WORDS:
            self._first.append(token)
        if token.kind == "symbol":
            self._brackets += {"(": 1, ")": -1}.get(token.text, 0)
        elif self._brackets <= 0 and token.kind == "word" and self._makes_routine():
            if token.says("begin") or (token.says("case") and self._blocks):
                self._blocks += 1
            elif token.says("end") and self._blocks:
                self._blocks -= 1
        return False

    def _makes_routine(self) -> bool:
        words = self._first
        if not words[0].says("create"):
            return False
        at = 3 if len(words) > 2 and words[1].says("or") and words[2].says("replace") else 1
        return len(words) > at and words[at].says("function", "procedure")


_FIRST_WORDS: Final = 4


@dataclass(slots=True)
class _Statement:
    """The statement being read: its bits without comments, and what decides where it ends."""

    name: str | None = None
    about: list[str] = field(default_factory=list)
    bits: list[_Bit] = field(default_factory=list)
    end: StatementEnd = field(default_factory=StatementEnd)


def pieces(text: str) -> Iterator[Piece]:
    """The statements of the script in order.  Never raises: what can't be read is a piece with its trouble."""
    now = _Statement()
    for bit in _bits(text):
        token = bit.token
        if token is not None and token.kind == "comment":
            _comment(now, token.text)
            continue
        ends = token is not None and now.end.reached(token)
        if not ends:
            now.bits.append(bit)
        if now.bits and (ends or bit.ends_statement):
            piece = _piece(text, now)
            yield piece
            now = _Statement(now.name, now.about) if piece.sets else _Statement()
        elif ends:
            now.end = StatementEnd()
    if now.bits:
        yield _piece(text, now)


def single_statement(text: str) -> tuple[Message, ParseResult]:
    """The one statement that the text is, and its tree. Raises NotSql where it is none, or several."""
    from .grammar import NotSql, parse
    from .tree import inner

    tree = parse(text)
    found = inner(tree.stmts[0].stmt) if len(tree.stmts) == 1 else None
    if found is None:
        raise NotSql(f"it holds {len(tree.stmts)} statements instead of one")
    return found, tree


_SEMICOLON: Final = 59
_BACKSLASH: Final = 92


def _comment(now: _Statement, text: str) -> None:
    if now.bits or not text.startswith("--"):
        return
    word, colon, name = text[2:].partition(":")
    if colon and word.strip().lower() == "name" and name.strip():
        now.name, now.about = name.strip(), []
    elif now.name is not None:
        now.about.append(text.lstrip("- ").rstrip())


def _piece(text: str, now: _Statement) -> Piece:
    first, last = now.bits[0], now.bits[-1]
    trouble = next((bit.trouble for bit in now.bits if bit.trouble), None)
    sets = first.token is not None and first.token.says("set", "reset", "prepare", "deallocate")
    about = " ".join(now.about) or None
    return Piece(text[first.start : last.end], first.start, now.name, about, trouble, sets and trouble is None)


def _bits(text: str) -> Iterator[_Bit]:
    """Every token of the script, psql's commands and what never ends taken out as stretches of their own."""
    at = rescans = 0
    while at < len(text):
        tokens, broken, trouble = _scanned(text[at:])
        again: int | None = None
        skip_to = at
        for token in tokens:
            start = at + token.start
            if start < skip_to:
                continue
            if token.pg != _BACKSLASH:
                yield _Bit(start, at + token.end, token)
                continue
            skip_to = _end_of_line(text, start)
            command = text[start:skip_to].rstrip()
            yield _Bit(start, start + len(command), None, f"{command.split()[0]} is a command of psql, not SQL", True)
            if any(quote in command for quote in _QUOTES):
                again = skip_to
                break
        if again is None:
            if broken is not None and at + broken >= skip_to:
                yield _Bit(at + broken, len(text), None, trouble)
            elif broken is not None:
                again = skip_to
        if again is None:
            return
        at, rescans = again, rescans + 1
        if rescans > _MOST_RESCANS:
            yield _Bit(at, len(text), None, f"the script has more than {_MOST_RESCANS} psql commands with quotes")
            return


def _scanned(text: str) -> tuple[tuple[Token, ...], int | None, str | None]:
    """The text's tokens; where they end too early, the place and the trouble."""
    from .grammar import NotSql, scan

    try:
        return scan(text, most_tokens=MOST_TOKENS), None, None
    except NotSql as error:
        if error.at is None:
            return (), 0, error.reason
        trouble = _NEVER_ENDS if error.reason.startswith("unterminated") else error.reason
        try:
            return scan(text[: error.at], most_tokens=MOST_TOKENS), error.at, trouble
        except NotSql as earlier:
            return (), 0, earlier.reason if earlier.at is None else trouble


def _end_of_line(text: str, at: int) -> int:
    ends = [end for end in (text.find("\n", at), text.find("\r", at)) if end >= 0]
    return min(ends, default=len(text))
