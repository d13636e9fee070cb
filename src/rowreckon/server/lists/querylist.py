"""A query list: plain SQL, split into items that each carry what must go before them.

`-- name: something` names the statement after it.  SET and PREPARE are no items of their own: SET becomes SET LOCAL and
goes before every later query until it is RESET, PREPARE goes before every later EXECUTE of that name.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

from rowreckon.server.lists.statements import TEMPORARY, Statement, StatementKind, classify
from rowreckon.server.lists.temporary import dropped, made_temporary, read_by
from rowreckon.sql.filling import Filling
from rowreckon.sql.statements import pieces

MOST_SETTINGS: Final = 100
"""Settings in force at once: each query carries all that were set before it."""


@dataclass(frozen=True, slots=True)
class QueryItem:
    """One statement to run.

    `line` is where it begins, from 1; `settings` are SET LOCAL statements and `prepared` (name, PREPARE statement)
    pairs to run before it; `reason` says why it is not to be run, or only by permission; `about` is the comment between
    the name and the statement; `written` the query as the list has it, where `text` is an EXECUTE with values put in;
    `role` is the role that the list itself took on for it, by SET ROLE; `fillings` are temporary tables that a trial's
    new text of it reads, filled and analyzed before.
    """

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
    role: str | None = None
    fillings: tuple[Filling, ...] = ()


@dataclass(slots=True)
class _State:
    """What earlier SET and PREPARE statements of the list have left in force, and the temporary tables they would find
    in one session."""

    settings: dict[str, str] = field(default_factory=dict)
    temporary: set[str] = field(default_factory=set)
    prepared: dict[str, tuple[str, Statement]] = field(default_factory=dict)
    in_force: tuple[str, ...] = ()
    """The settings as the queries carry them, made once for all queries between two changes."""


def read_query_list(text: str) -> tuple[QueryItem, ...]:
    """Split a list into its items, in order.  Never raises: what can't be run is an item with its reason."""
    text = text.removeprefix("\ufeff")
    state = _State()
    items: list[QueryItem] = []
    taken: dict[str, int] = {}
    line = at = 0
    for piece in pieces(text):
        line, at = line + text.count("\n", at, piece.start), piece.start
        statement = classify(piece.text) if piece.trouble is None else Statement("unfit", piece.trouble)
        if statement.kind == "set" and statement.subject not in state.settings and len(state.settings) >= MOST_SETTINGS:
            statement = Statement("unfit", f"{MOST_SETTINGS} settings are in force already; RESET what is not needed")
        if _remember(state, statement, piece.text):
            state.in_force = tuple(state.settings.values())
            continue
        name = _unique(piece.name or f"line {line + 1}", taken)
        items.append(replace(_item(state, statement, name, line + 1, piece.text), about=piece.about))
        state.temporary -= dropped(statement.tree, state.temporary)
        made = None if statement.tree is None else made_temporary(statement.tree)
        if made is not None:
            state.temporary.add(made)
    return tuple(items)


def split_named(text: str) -> tuple[tuple[str, str], ...]:
    """A script's statements with the name that stands above them; statements below one name share it."""
    found: list[tuple[str, str]] = []
    for piece in pieces(text):
        found.append((piece.name or (found[-1][0] if found else "start"), piece.text))
    return tuple(found)


def _remember(state: _State, statement: Statement, body: str) -> bool:
    """Take a SET, RESET or PREPARE into the state; False if the statement is an item instead."""
    subject = statement.subject
    if statement.kind == "set" and subject is not None and statement.printed is not None:
        state.settings.pop(subject, None)
        state.settings[subject] = statement.printed
    elif statement.kind == "reset" and subject is None:
        state.settings.clear()
    elif statement.kind == "reset" and subject is not None:
        state.settings.pop(subject, None)
    elif statement.kind == "prepare" and subject is not None:
        state.prepared[subject] = (body, statement)
    elif statement.kind == "deallocate" and subject is None:
        state.prepared.clear()
    elif statement.kind == "deallocate" and subject is not None:
        state.prepared.pop(subject, None)
    else:
        return False
    return True


def _item(state: _State, statement: Statement, name: str, line: int, body: str) -> QueryItem:
    settings, role = state.in_force, state.settings.get("role")
    prepared = state.prepared.get(statement.subject or "") if statement.kind == "execute" else None
    item = QueryItem(name, line, body, statement.kind, statement.reason, settings, role=role)
    if state.temporary and statement.kind in ("query", "write", "execute"):
        read = read_by(prepared[1].tree if prepared is not None else statement.tree, state.temporary)
        if read is not None:
            return replace(item, kind="unfit", reason=f"it uses the temporary table {read}; {TEMPORARY}")
    if statement.kind != "execute":
        return replace(item, parameters=statement.parameters)
    if prepared is None:
        return replace(item, kind="unfit", reason=f"EXECUTE of {statement.subject}, which nothing above it prepares")
    prepare, held = prepared
    kind: StatementKind = "write" if held.reason else "execute"
    return replace(item, kind=kind, reason=held.reason, prepared=((statement.subject or "", prepare),))


def _unique(name: str, taken: dict[str, int]) -> str:
    taken[name] = taken.get(name, 0) + 1
    return name if taken[name] == 1 else f"{name} ({taken[name]})"
