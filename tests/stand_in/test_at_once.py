"""Statements sent to a stand-in together: all of them or none, and nothing is printed of those that fail."""

from __future__ import annotations

import logging

import pytest

from rowreckon.server.connecting.connection import connected
from rowreckon.server.stand_in.at_once import all_at_once
from tests.servers.databases import fresh_database


@pytest.mark.server
def test_one_that_fails_undoes_all_and_prints_nothing(server: str, caplog: pytest.LogCaptureFixture) -> None:
    """psycopg logs an error that leaves a pipeline, and Python prints a log that nobody reads on standard error."""
    with fresh_database(server) as dsn, connected(dsn) as connection:
        made = all_at_once(connection, [(b"create table huts (id int check (id > 0))", None)])
        with caplog.at_level(logging.DEBUG, logger="psycopg"):
            filled = all_at_once(
                connection, [(f"insert into huts values ({number})".encode(), None) for number in range(500)]
            )
        row = connection.execute(b"select count(*) from huts", binary=True).fetchone()

    assert (made, filled) == (True, False)
    assert row == (0,)
    assert [record.getMessage() for record in caplog.records] == []
