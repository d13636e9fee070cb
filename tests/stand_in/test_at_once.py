"""Statements sent to a stand-in together: all of them or none, and nothing is printed of those that fail."""

from __future__ import annotations

import logging

import pytest

from rowreckon.server.connecting.connection import connected
from rowreckon.server.stand_in.at_once import all_at_once
from tests.servers.databases import fresh_database


@pytest.mark.server
def test_one_that_fails_undoes_all_and_prints_nothing(server: str, caplog: pytest.LogCaptureFixture) -> None:
    """psycopg logs an error that leaves a pipeline as a warning, which Python prints where nobody reads the log.

    The failure is told before all are sent or only after it, as the server's answer comes: both are tried.
    """
    with fresh_database(server) as dsn, connected(dsn) as connection:
        made = all_at_once(connection, [(b"create table huts (id int check (id > 0))", None)])
        with caplog.at_level(logging.DEBUG, logger="psycopg"):
            filled = [
                all_at_once(connection, [(f"insert into huts values ({number})".encode(), None) for number in numbers])
                for numbers in (range(500), range(5_000), [*range(1, 500), 0])
            ]
        row = connection.execute(b"select count(*) from huts", binary=True).fetchone()

    assert (made, filled) == (True, [False, False, False])
    assert row == (0,)
    assert [record.getMessage() for record in caplog.records if record.levelno >= logging.WARNING] == []
