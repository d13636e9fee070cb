"""Ctrl-C within a question of the tool's own stays Ctrl-C, also where the server's cancel comes late."""

from __future__ import annotations

from typing import Any

import psycopg
import pytest

from rowreckon.server.connecting.connection import connected
from rowreckon.server.connecting.neutral import neutral_path, neutral_rows


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
