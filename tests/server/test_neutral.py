"""Ctrl-C within a question of the tool's own stays Ctrl-C, also where the server's cancel comes late."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import psycopg
import pytest

from rowreckon.server.connecting.connection import connected
from rowreckon.server.connecting.neutral import neutral_path, neutral_rows
from tests.trial.scene import start


def test_a_cancel_that_comes_late(server: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The query had ended when the cancel came: the server fails the statement after it, which puts the path back."""
    with connected(server) as connection:
        send = connection.execute

        def failing(query: Any, *given: Any) -> Any:
            return send(b"select 1/0")

        def interrupted() -> None:
            with connection.transaction(), neutral_path(connection):
                monkeypatch.setattr(connection, "execute", failing)
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            interrupted()
        monkeypatch.undo()
        assert connection.info.transaction_status == psycopg.pq.TransactionStatus.IDLE
        assert neutral_rows(connection, "select 1") == [(1,)]


_HOOK = """
import os, signal
from psycopg import Connection
from rowreckon.server.connecting import neutral

whole, met = Connection.execute, {{"blocks": 0, "pressed": False, "late": False}}

def execute(self, query, *given, **more):
    if query == neutral._SET and met["pressed"] and not met["late"]:
        met["late"] = True
        return whole(self, b"select pg_cancel_backend(pg_backend_pid()), pg_sleep(600)")
    done = whole(self, query, *given, **more)
    if query == neutral._ENTER:
        met["blocks"] += 1
    elif met["blocks"] == {block} and not met["pressed"]:
        met["pressed"] = True
        os.kill(os.getpid(), signal.SIGINT)
    return done

Connection.execute = execute
"""


@pytest.mark.parametrize("block", [1, 8])
def test_a_cancel_that_comes_late_to_the_command(huts: str, tmp_path: Path, block: int) -> None:
    """Ctrl-C within such a question of a sweep, and a cancel by the server of the statement after it: no query has
    failed by it, and the exit status is that of Ctrl-C."""
    (tmp_path / "hook").mkdir()
    (tmp_path / "hook" / "sitecustomize.py").write_text(_HOOK.format(block=block))
    (tmp_path / "list.sql").write_text("".join(f"-- name: {n}\nselect {n} from huts;\n" for n in range(3)))
    report = tmp_path / "r.json"
    process = start(
        ["sweep", str(tmp_path / "list.sql"), "--dsn", huts, "--report", str(report)], hook=tmp_path / "hook"
    )
    _, err = process.communicate(timeout=120)
    assert process.returncode == 130, err
    assert "Traceback" not in err
    assert "defect" not in err
    assert {plan["outcome"] for plan in json.loads(report.read_text())["plans"]} <= {"ran", "skipped"}
