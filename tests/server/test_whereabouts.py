"""Servers elsewhere: who is asked, who is refused. The addresses are those of the documentation ranges (RFC 5737)."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

import pytest

from rowreckon.cli.config import read_config
from rowreckon.errors import StatementRefused, UsageError
from rowreckon.server.connecting.connection import Connection
from rowreckon.server.connecting.whereabouts import is_allowed, on_this_machine, require_permission


@dataclass
class Info:
    host: str
    hostaddr: str = ""
    port: int = 5432
    dbname: str = "huts"
    user: str = "warden"
    dsn: str = ""


@dataclass
class Stand:
    """What of a connection the decision looks at."""

    info: Info
    standby: bool = False
    asked: list[str] = field(default_factory=list)

    def execute(self, query: bytes) -> Any:
        return self

    def fetchone(self) -> tuple[bool]:
        return (self.standby,)


def stand(host: str, hostaddr: str = "", *, standby: bool = False) -> Connection:
    return cast(Connection, Stand(Info(host, hostaddr), standby))


FAR = ("db.huts.example", "192.0.2.7")


@pytest.mark.parametrize(
    ("host", "address", "here"),
    [
        ("/run/postgresql", "", True),
        ("@abstract", "", True),
        ("localhost", "127.0.0.1", True),
        ("localhost", "::1", True),
        ("127.0.0.2", "127.0.0.2", True),
        ("localhost.evil.example", "192.0.2.7", False),
        (*FAR, False),
        ("192.0.2.7", "192.0.2.7", False),
        ("unresolved.example", "", False),
    ],
)
def test_this_machine_is_told_by_the_address(host: str, address: str, here: bool) -> None:
    """A name proves nothing; the address that the connection has does."""
    assert on_this_machine(stand(host, address)) is here


@pytest.mark.parametrize(
    ("entry", "allowed"),
    [
        ("db.huts.example", True),
        ("192.0.2.7", True),
        ("db.huts.example:5432", True),
        ("db.huts.example/huts", True),
        ("192.0.2.7:5432/huts", True),
        ("db.huts.example:5433", False),
        ("db.huts.example/other", False),
        ("huts.example", False),
        ("", False),
    ],
)
def test_the_allow_list(entry: str, allowed: bool) -> None:
    """An entry names host, port and database as far as it says them; nothing matches by part of a name."""
    assert is_allowed(stand(*FAR), [entry]) is allowed


def test_elsewhere_needs_a_word() -> None:
    """Nobody to ask: refused; asked and denied: refused; confirmed, --yes or allowed: run."""
    questions: list[str] = []

    def answer(word: bool) -> Any:
        def confirm(question: str) -> bool:
            questions.append(question)
            return word

        return confirm

    with pytest.raises(StatementRefused, match="--yes"):
        require_permission(stand(*FAR), allow=(), yes=False, standby=False, confirm=None)
    with pytest.raises(StatementRefused, match="nothing was executed"):
        require_permission(stand(*FAR), allow=(), yes=False, standby=False, confirm=answer(False))
    require_permission(stand(*FAR), allow=(), yes=False, standby=False, confirm=answer(True))
    assert len(questions) == 2
    assert "warden@db.huts.example:5432/huts" in questions[0]
    require_permission(stand(*FAR), allow=(), yes=True, standby=False, confirm=None)
    require_permission(stand(*FAR), allow=("192.0.2.7",), yes=False, standby=False, confirm=None)


def test_a_standby_needs_its_own_permission() -> None:
    """--yes does not cover it."""
    with pytest.raises(StatementRefused, match="--allow-standby"):
        require_permission(stand("/run", standby=True), allow=(), yes=True, standby=False, confirm=None)
    require_permission(stand("/run", standby=True), allow=(), yes=False, standby=True, confirm=None)


def test_the_configuration_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No file is the defaults; what it can't mean is refused with its place."""
    path = tmp_path / "config.toml"
    monkeypatch.setenv("ROWRECKON_CONFIG", str(path))
    assert read_config().allow == ()
    path.write_text('[servers]\nallow = ["a", "b:5433/c"]\n')
    assert read_config().allow == ("a", "b:5433/c")
    for bad in ("[servers", '[servers]\nallow = "a"', "[server]\n", "[servers]\nallow = [1]", "servers = 1"):
        path.write_text(bad)
        with pytest.raises(UsageError, match=r"config\.toml"):
            read_config()
