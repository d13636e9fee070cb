"""PostgreSQL's own grammar: the one module that calls libpg_query, through postgast.

The library is C code that reads hostile text, so everything that it is given is bounded first: bytes, tokens, and how
deeply a tree could nest.  A text that passes the bounds may still be no SQL; either way the caller gets a `NotSql` with
the place, never a crash and never another error.  The grammar is PostgreSQL 18's, which reads what 13 to 18 print.

Loading the library takes about a tenth of a second: import this module only where SQL is really to be read.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any, Final, Literal, TypeVar

import postgast
from google.protobuf.message import DecodeError
from postgast.pg_query_pb2 import DESCRIPTOR, KeywordKind, ParseResult, ScanResult
from postgast.pg_query_pb2 import Token as _PgToken

from rowreckon.frozen import frozen

MOST_BYTES: Final = 8 * 1024 * 1024
"""Longest text that is read (bytes of UTF-8): a literal of 5 MB is known from real lists; no source for the factor."""
MOST_TOKENS: Final = 200_000
"""Most tokens of one text: ten times what an IN list of 10,000 constants has."""
DEEPEST: Final = 10_000
"""Most levels that a tree could have.  Of thirteen ways to nest, all passed at 30,000 on a stack of `_STACK` bytes."""
_DEEP: Final = 1_000
"""Levels from which a text is read on a stack of its own; all thirteen ways passed at 1,000 on a stack of 8 MiB."""
_STACK: Final = 512 * 1024 * 1024
"""That stack's size (bytes); the system gives it memory only as it is used."""

TokenKind = Literal["word", "name", "string", "number", "parameter", "symbol", "comment"]

_T = TypeVar("_T")
# Looking a name up in the library's enumerations takes as long as scanning several words does.
_NO_KEYWORD: Final = int(KeywordKind.NO_KEYWORD)
_IDENT: Final = int(_PgToken.IDENT)
_ASCII: Final = 256
_KINDS: Final[dict[int, TokenKind]] = {
    _PgToken.SQL_COMMENT: "comment",
    _PgToken.C_COMMENT: "comment",
    _PgToken.SCONST: "string",
    _PgToken.USCONST: "string",
    _PgToken.BCONST: "string",
    _PgToken.XCONST: "string",
    _PgToken.ICONST: "number",
    _PgToken.FCONST: "number",
    _PgToken.PARAM: "parameter",
    _PgToken.UIDENT: "name",
}


class NotSql(ValueError):
    """The text can't be read as SQL; `at` is the character where it goes wrong, where that is known."""

    def __init__(self, reason: str, at: int | None = None) -> None:
        super().__init__(reason)
        self.reason = reason
        self.at = at


@frozen
class Token:
    """A piece of the text from `start` to `end` (characters); white space is between tokens.

    A `name` is a quoted identifier, a `word` an unquoted one or a key word; `keyword` says which words are.  `pg` is
    the scanner's own number for it.
    """

    kind: TokenKind
    text: str
    start: int
    end: int
    keyword: bool
    pg: int

    def says(self, *words: str) -> bool:
        """Is it one of these words (given in lower case)?"""
        return self.kind == "word" and self.text.lower() in words


def scan(text: str, *, most_tokens: int = MOST_TOKENS) -> tuple[Token, ...]:
    """All tokens of the text in order, comments included.

    Raises NotSql for a text over the bounds, with a NUL or a lone surrogate in it, or with a string, a name or a
    comment that never ends (`at` is then where that begins).
    """
    data = _bounded(text)
    found = _scanned(data, text, most_tokens)
    if text.isascii():
        return tuple(_token(token, text, token.start, token.end) for token in found)
    tokens: list[Token] = []
    byte = at = 0  # the same place, in bytes and in characters
    for token in found:
        start = at + len(data[byte : token.start].decode())
        at = start + len(data[token.start : token.end].decode())
        byte = token.end
        tokens.append(_token(token, text, start, at))
    return tuple(tokens)


def parse(text: str) -> ParseResult:
    """The statements of the text as a tree of the library's messages, places in bytes of UTF-8. Raises NotSql."""
    data = _bounded(text)
    deep = len(data) >= _DEEP and _depth(data, text) >= _DEEP
    return _called(lambda: postgast.parse(text), text, deep=deep)


def printed(tree: ParseResult) -> str:
    """The tree as SQL text, which was read again and gives the same tree. Raises NotSql where it does not."""
    if tree.ByteSize() > 64 * MOST_BYTES:
        raise NotSql("the statement is too long to be printed")
    mended = _with_quoted_names(tree)
    # a level of a tree takes two bytes at least, so a small one is not deep; a stack of its own takes a millisecond
    text: str = _called(lambda: postgast.deparse(mended), "", deep=mended.ByteSize() >= 2 * _DEEP)
    if _shape(parse(text)) != _shape(tree):
        raise NotSql("the statement can't be printed so that it stays the same")
    return text


def _with_quoted_names(tree: ParseResult) -> ParseResult:
    """The tree with names quoted where the library prints them bare: columns of statistics, a function's arguments."""
    if not any(each.stmt.WhichOneof("node") in _BARE_NAMES for each in tree.stmts):
        return tree
    mended = ParseResult()
    mended.CopyFrom(tree)
    stack: list[Any] = [mended]
    while stack:
        message = stack.pop()
        if message.DESCRIPTOR.name in ("StatsElem", "FunctionParameter") and message.name:
            message.name = _quoted_if_needed(message.name)
        for field, value in message.ListFields():
            if field.message_type is not None:
                stack.extend(value if field.is_repeated else (value,))
    return mended


def _quoted_if_needed(name: str) -> str:
    try:
        tokens = scan(name)
    except NotSql:
        tokens = ()
    plain = len(tokens) == 1 and tokens[0].kind == "word" and not tokens[0].keyword and name == name.lower()
    return name if plain and tokens[0].text == name else '"' + name.replace('"', '""') + '"'


_BARE_NAMES: Final = frozenset({"create_stats_stmt", "alter_function_stmt"})


def fingerprint(text: str) -> str:
    """A short code that is the same for statements that differ only in literals and spacing. Raises NotSql."""
    data = _bounded(text)
    deep = len(data) >= _DEEP and _depth(data, text) >= _DEEP
    found: str = _called(lambda: postgast.fingerprint(text).hex, text, deep=deep)
    return found


def _bounded(text: str) -> bytes:
    """The text's bytes, if it is within the bounds that need no reading."""
    at = text.find("\0")
    if at >= 0:
        raise NotSql("it holds a NUL character", at)
    if len(text) > MOST_BYTES:
        raise NotSql(f"it is longer than {MOST_BYTES:,} bytes")
    try:
        data = text.encode()
    except UnicodeEncodeError as error:
        raise NotSql("it holds half of a character (a lone surrogate)", error.start) from None
    if len(data) > MOST_BYTES:
        raise NotSql(f"it is longer than {MOST_BYTES:,} bytes")
    return data


def _scanned(data: bytes, text: str, most_tokens: int = MOST_TOKENS) -> list[Any]:
    found: ScanResult = _called(lambda: postgast.scan(text), text, deep=False)
    if len(found.tokens) > most_tokens:
        raise NotSql(f"it has more than {most_tokens:,} words and signs")
    return list(found.tokens)


def _depth(data: bytes, text: str) -> int:
    """A bound on how many levels the text's tree can have. Raises NotSql where that is more than `DEEPEST`.

    Brackets nest; a chain of operators or key words makes a level for each; commas, constants and plain names none.
    """
    open_brackets = most = steps = 0
    for token in _scanned(data, text):
        kind = token.token
        if kind in (_PgToken.ASCII_40, _PgToken.ASCII_91):
            open_brackets += 1
            most = max(most, open_brackets)
        elif kind in (_PgToken.ASCII_41, _PgToken.ASCII_93):
            open_brackets -= 1
        elif kind == _PgToken.ASCII_59:
            steps = 0 if open_brackets <= 0 else steps
        elif kind not in _FLAT and kind not in _KINDS:
            steps += 1
        if most + steps > DEEPEST:
            raise NotSql(f"it nests more than {DEEPEST:,} levels deep")
        most = max(most, open_brackets)
    return most + steps


_FLAT: Final = frozenset({_PgToken.ASCII_44, _PgToken.IDENT})


def _called(work: Callable[[], _T], text: str, *, deep: bool) -> _T:
    """What the library gives, on a stack that holds it; its errors become ours."""
    try:
        return _on_a_large_stack(work) if deep else work()
    except postgast.PgQueryError as error:
        place = error.cursorpos - 1 if error.cursorpos and error.cursorpos > 0 else None
        raise NotSql(str(error.message or "it is no SQL"), place) from None
    except (DecodeError, UnicodeDecodeError, RecursionError, MemoryError, ValueError) as error:
        if isinstance(error, NotSql):
            raise
        raise NotSql("it can't be read as SQL") from None


def _on_a_large_stack(work: Callable[[], _T]) -> _T:
    done: list[_T] = []
    failed: list[BaseException] = []

    def go() -> None:
        try:
            done.append(work())
        except BaseException as error:
            failed.append(error)

    with _LOCK:
        before = threading.stack_size(_STACK)
        try:
            thread = threading.Thread(target=go, name="rowreckon-sql", daemon=True)
            thread.start()
        except (RuntimeError, OSError):
            raise NotSql("there is no memory to read so deep a statement") from None
        finally:
            threading.stack_size(before)
    thread.join()
    if failed:
        raise failed[0]
    return done[0]


_LOCK: Final = threading.Lock()


def _token(found: Any, text: str, start: int, end: int) -> Token:
    number = int(found.token)
    keyword = found.keyword_kind != _NO_KEYWORD
    body = text[start:end]
    kind = _KINDS.get(number)
    if kind is None:
        kind = "word" if keyword else "symbol"
        if number == _IDENT:
            kind = "name" if body.startswith('"') else "word"
    return Token(kind, body, start, end, keyword, number)


def _shape(tree: ParseResult) -> bytes:
    """The tree without places in the text, as bytes that compare."""
    bare = ParseResult()
    bare.CopyFrom(tree)
    stack: list[Any] = [bare]
    while stack:
        message = stack.pop()
        for field, value in message.ListFields():
            if field.name in _PLACES:
                message.ClearField(field.name)
            elif field.message_type is not None:
                stack.extend(value if field.is_repeated else (value,))
    found: bytes = bare.SerializeToString(deterministic=True)
    return found


_PLACES: Final = frozenset(
    field.name
    for message in DESCRIPTOR.message_types_by_name.values()
    for field in message.fields
    if field.name in ("location", "stmt_len") or field.name.endswith(("_location", "list_start", "list_end"))
)


def _allow_deep_trees() -> None:
    """Have protobuf decode trees of any depth; `_depth` bounds them.

    The switch is not a public one: without it, trees of more than about fifty levels are refused as no SQL.
    """
    try:
        from google._upb._message import SetAllowOversizeProtos
    except ImportError:
        return
    SetAllowOversizeProtos(True)


_allow_deep_trees()
