"""A query list: plain SQL, split into items that each carry what must go before them.

`-- name: something` names the statement after it.  SET and PREPARE are no items of their own: SET becomes SET LOCAL and
goes before every later query until it is RESET, PREPARE goes before every later EXECUTE of that name.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from .lexer import Token, tokens
from .statements import TEMPORARY, Statement, StatementKind, classify
from .temporary import dropped, made_temporary, read_by

_NAME = re.compile(r"--\s*name\s*:\s*(\S.*?)\s*")


@dataclass(frozen=True, slots=True)
class QueryItem:
    """One statement to run.  `line` is where it begins, from 1; `settings` are SET LOCAL statements and `prepared`
    (name, PREPARE statement) pairs to run before it; `reason` says why it is not to be run, or only by permission;
    `about` is the comment between the name and the statement; `written` the query as the list has it, where `text` is
    an EXECUTE with values put in."""

    name: str
    line: int
    text: str
    kind: StatementKind
    reason: str | None = None
    settings: tuple[str, ...] = ()
    prepared: tuple[tuple[str, str], ...] = ()
    parameters: bool = False
    about: str | None = None
    written: str | None = None


@dataclass(slots=True)
class _State:
    """What earlier SET and PREPARE statements of the list have left in force, and the temporary tables they would find
    in one session."""

    settings: dict[str, str] = field(default_factory=dict)
    temporary: set[str] = field(default_factory=set)
    prepared: dict[str, tuple[str, Statement]] = field(default_factory=dict)


def read_query_list(text: str) -> tuple[QueryItem, ...]:
    """Split a list into its items, in order.  Never raises: what can't be run is an item with its reason."""
    text = text.removeprefix("\ufeff")
    state = _State()
    items: list[QueryItem] = []
    taken: dict[str, int] = {}
    for words, given, about in _statements(text):
        statement = _with_ending(words)
        body = text[words[0].start : words[-1].end]
        line = text.count("\n", 0, words[0].start) + 1
        if _remember(state, statement, words, body):
            continue
        name = _unique(given or f"line {line}", taken)
        items.append(replace(_item(state, statement, name, line, body), about=about))
        made = made_temporary(words)
        state.temporary -= dropped(words)
        if made is not None:
            state.temporary.add(made)
    return tuple(items)


def split_named(text: str) -> tuple[tuple[str, str], ...]:
    """A script's statements with the name that stands above them; statements below one name share it."""
    found: list[tuple[str, str]] = []
    for words, given, _ in _statements(text):
        name = given or (found[-1][0] if found else "start")
        found.append((name, text[words[0].start : words[-1].end]))
    return tuple(found)


def _with_ending(words: list[Token]) -> Statement:
    """Classify, minding a psql command or an unclosed quote anywhere in the statement, not only at its start."""
    spoilt = next((token for token in words if token.kind in ("meta", "broken")), None)
    return classify([spoilt] if spoilt else words)


def _statements(text: str) -> Iterable[tuple[list[Token], str | None, str | None]]:
    """The tokens of each statement without comments and closing semicolon, the name given before it, its comment."""
    words: list[Token] = []
    name: str | None = None
    about: list[str] = []
    depth = 0
    for token in tokens(text):
        if token.kind == "comment":
            named = _NAME.fullmatch(token.text)
            if named and not words:
                name, about = named.group(1), []
            elif not words and name is not None and token.text.startswith("--"):
                about.append(token.text.lstrip("- ").rstrip())
            continue
        ends = token.text == ";" and token.kind == "symbol" and depth <= 0
        if not ends:
            depth += {"(": 1, ")": -1}.get(token.text, 0) if token.kind == "symbol" else 0
            words.append(token)
        if words and (ends or token.kind == "meta"):
            yield words, name, " ".join(about) or None
            # a SET or PREPARE in between leaves the name to the query that it prepares
            if not words[0].says("set", "reset", "prepare", "deallocate"):
                name, about = None, []
            words = []
        if not words:
            depth = 0
    if words:
        yield words, name, " ".join(about) or None


def _remember(state: _State, statement: Statement, words: list[Token], body: str) -> bool:
    """Take a SET, RESET or PREPARE into the state; False if the statement is an item instead."""
    if statement.kind == "set" and statement.subject is not None:
        start = 2 if words[1].says("session", "local") else 1
        rest = body[words[start].start - words[0].start :]
        state.settings.pop(statement.subject, None)
        state.settings[statement.subject] = f"SET LOCAL {rest}"
        return True
    if statement.kind == "reset":
        if statement.subject is None:
            state.settings.clear()
        else:
            state.settings.pop(statement.subject, None)
        return True
    if statement.kind == "prepare" and statement.subject is not None:
        state.prepared[statement.subject] = (body, statement)
        return True
    if statement.kind == "deallocate":
        if statement.subject is None:
            state.prepared.clear()
        else:
            state.prepared.pop(statement.subject, None)
        return True
    return False


def _item(state: _State, statement: Statement, name: str, line: int, body: str) -> QueryItem:
    settings = tuple(state.settings.values())
    prepared = state.prepared.get(statement.subject or "") if statement.kind == "execute" else None
    if state.temporary and statement.kind in ("query", "write", "execute"):
        read = read_by(_after_as(prepared[0]) if prepared is not None else body, state.temporary)
        if read is not None:
            return QueryItem(name, line, body, "unfit", f"it uses the temporary table {read}; {TEMPORARY}", settings)
    if statement.kind != "execute":
        return QueryItem(name, line, body, statement.kind, statement.reason, settings, (), statement.parameters)
    if prepared is None:
        reason = f"EXECUTE of {statement.subject}, which nothing above it prepares"
        return QueryItem(name, line, body, "unfit", reason, settings)
    prepare, inner = prepared
    kind: StatementKind = "write" if inner.reason else "execute"
    return QueryItem(name, line, body, kind, inner.reason, settings, ((statement.subject or "", prepare),))


def _after_as(prepare: str) -> str:
    """The statement that PREPARE holds."""
    return next((prepare[token.end :] for token in tokens(prepare) if token.says("as")), prepare)


def _unique(name: str, taken: dict[str, int]) -> str:
    taken[name] = taken.get(name, 0) + 1
    return name if taken[name] == 1 else f"{name} ({taken[name]})"
