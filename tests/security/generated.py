"""Attacks made by putting every payload into places of the grammar, and their harmless twins."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg

from .house import House
from .payloads import HARMLESS, PAYLOADS, Payload
from .positions import POSITIONS, Position
from .tool import Attack


def combinations(major: int, *, every: bool) -> Iterator[tuple[Position, Payload]]:
    """All of them, or for each position the open call and one other payload, each of which has its turns."""
    positions = [position for position in POSITIONS if position.since <= major]
    payloads = [payload for payload in PAYLOADS if payload.since <= major]
    for number, position in enumerate(positions):
        fitting = [payload for payload in payloads if position.subquery or not payload.query]
        turns = fitting if every else [fitting[0], fitting[1 + number % (len(fitting) - 1)]]
        for payload in turns:
            yield position, payload


def attack(position: Position, payload: Payload) -> Attack:
    """The list that calls the payload in this position."""
    return Attack(f"{position.name}: {payload.name}", _as_list(position.filled(payload.expression)))


def twin(position: Position) -> Attack:
    """The same statement with a harmless call."""
    return Attack(f"{position.name}: twin", _as_list(position.filled(HARMLESS)))


def _as_list(statement: str) -> str:
    return statement.replace("; ", ";;")


def spring(
    house: House, session: psycopg.Connection[tuple[object, ...]], statement: str, mode: str = "read only"
) -> tuple[int, str]:
    """Run a statement without the tool, in a transaction that is rolled back: marks left, and any error."""
    before = len(house.marks())
    error = ""
    try:
        session.execute(f"begin {mode}".encode())
        session.execute("set local statement_timeout = '5s'")
        execute(session, statement)
    except psycopg.Error as problem:
        error = str(problem).splitlines()[0]
    session.execute("rollback")
    session.execute("deallocate all")
    return len(house.marks()) - before, error


def execute(session: psycopg.Connection[tuple[object, ...]], statement: str) -> None:
    """Run a statement, COPY from or to the client included."""
    if not statement.startswith("copy "):
        session.execute(statement.encode())
        return
    with session.cursor() as cursor, cursor.copy(statement.encode()) as copy:
        if "from stdin" in statement:
            copy.write(b"2\tcopied\n")
        else:
            list(copy)
