"""What servers answered to a test, kept in a file, so that the same test also runs where there is no server.

`ROWRECKON_RECORD=1 pytest -n 0 FOLDER` asks the servers again and writes the files anew. Another statement than
the recorded one fails the test. Statements, answers and their rows are kept once each, since most are asked again.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import psycopg
import pytest
from psycopg import sql

from rowreckon import releases

ASKS_ANEW = bool(os.environ.get("ROWRECKON_RECORD"))
_SERVER = re.compile(r"default|live|pg\d\d|recorded\d\d")
"""How a test's name tells the server that it runs on."""


def _test() -> str:
    """The test that runs, without what its name says of the server; empty while a fixture is made."""
    name, _, phase = os.environ["PYTEST_CURRENT_TEST"].rpartition(" ")
    if phase != "(call)":
        return ""
    test, bracket, parameters = name.partition("[")
    kept = [part for part in parameters.rstrip("]").split("-") if not _SERVER.fullmatch(part)]
    return f"{test.rpartition('/')[2]}{bracket}{'-'.join(kept)}"


def _text(query: bytes | str | sql.Composable, parameters: Sequence[object]) -> str:
    written = query.as_string(None) if isinstance(query, sql.Composable) else query
    shown = written.decode() if isinstance(written, bytes) else written
    return f"{shown} {list(parameters)}" if parameters else shown


class _Rows:
    """The rows of one answer, as a cursor gives them."""

    def __init__(self, rows: list[Any]) -> None:
        self._rows = rows

    def fetchall(self) -> list[Any]:
        return [tuple(row) for row in self._rows]

    def fetchone(self) -> Any:
        return tuple(self._rows[0]) if self._rows else None


class Recorder:
    """A connection that takes down, for each test, what was asked and what came."""

    def __init__(self, connection: psycopg.Connection[Any]) -> None:
        self.connection: Any = connection
        self.info = connection.info
        self.tests: dict[str, list[tuple[int, int]]] = {}
        self.statements: dict[str, int] = {}
        self.answers: dict[str, int] = {}
        self.rows: dict[str, int] = {}

    def execute(self, query: Any, parameters: Sequence[object] = ()) -> _Rows:
        """Ask the server."""
        cursor = self.connection.execute(query, parameters or None)
        rows = cursor.fetchall() if cursor.description else []
        self.take_down(_text(query, parameters), rows)
        return _Rows(rows)

    def take_down(self, asked: str, rows: list[Any]) -> None:
        """Keep these rows as the answer to that."""
        if test := _test():
            statement = self.statements.setdefault(json.dumps(asked), len(self.statements))
            places = json.dumps([self.rows.setdefault(json.dumps(row), len(self.rows)) for row in rows])
            answer = self.answers.setdefault(places, len(self.answers))
            self.tests.setdefault(test, []).append((statement, answer))

    def transaction(self, *, force_rollback: bool = False) -> Any:
        """The server's own."""
        return self.connection.transaction(force_rollback=force_rollback)

    def write(self, file: Path) -> None:
        """Keep what was taken down, if anything was; a line each, so that a difference can be read."""
        if not self.tests:
            return
        tests = (f"{json.dumps(test)}: {json.dumps(asked)}" for test, asked in sorted(self.tests.items()))
        parts = [f'"server_version": {self.info.server_version}', f'"tests": {{\n{_joined(tests)}\n}}']
        parts += [
            f'"{name}": [\n{_joined(values)}\n]'
            for name, values in (("statements", self.statements), ("answers", self.answers), ("rows", self.rows))
        ]
        file.parent.mkdir(exist_ok=True)
        file.write_text(f"{{{_joined(parts)}}}\n", encoding="utf-8")


def _joined(parts: Iterable[str]) -> str:
    return ",\n".join(parts)


class Replayed:
    """A connection that answers a test with what was taken down."""

    def __init__(self, file: Path) -> None:
        self._kept = json.loads(file.read_text("utf-8"))
        self.info = SimpleNamespace(server_version=self._kept["server_version"])
        self._test = ""
        self._asked: Iterator[tuple[int, int]] = iter(())

    def execute(self, query: Any, parameters: Sequence[object] = ()) -> _Rows:
        """What came when this was asked; nothing is asked for a fixture."""
        test = _test()
        if not test:
            return _Rows([])
        if test != self._test:
            self._test, self._asked = test, iter(self._kept["tests"][test])
        statement, answer = next(self._asked)
        text = self._kept["statements"][statement]
        assert text == _text(query, parameters), "not the statement that was recorded: record anew"
        return _Rows([self._kept["rows"][place] for place in self._kept["answers"][answer]])

    def transaction(self, *, force_rollback: bool = False) -> Any:
        """None is needed."""
        return nullcontext()


@contextmanager
def recorded(connection: psycopg.Connection[Any], folder: Path, name: str = "") -> Iterator[Any]:
    """The connection itself, or where servers are asked anew one that writes down what it was asked: into a file of
    that name and the server's release."""
    if not ASKS_ANEW:
        yield connection
        return
    recorder = Recorder(connection)
    yield recorder
    recorder.write(folder / f"{name}{connection.info.server_version // 10000}.json")


def servers_and_answers(folder: Path) -> list[Any]:
    """Parameters of a fixture: each release on a server, and each file of what a server answered."""
    live = [pytest.param(major, marks=pytest.mark.matrix, id=f"pg{major}") for major in releases.MODELLED]
    return live + kept_answers(folder)


def kept_answers(folder: Path, name: str = "") -> list[Any]:
    """Parameters of a fixture: each file of what a server answered; none while they are written."""
    files = [] if ASKS_ANEW else sorted(folder.glob(f"{name}[0-9]*.json"))
    return [pytest.param(file, id=f"recorded{file.stem.removeprefix(name)}") for file in files]
