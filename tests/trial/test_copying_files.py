"""How a copy is made: by files from some size on, and by the file system itself where it can (a live server)."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

import psycopg
import pytest
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from rowreckon.server.connecting.connection import Connection, connected
from rowreckon.server.trials.copies import Copies, copies
from rowreckon.server.trials.to_database import connector_to
from tests.servers.databases import fresh_database

_LARGE_KB = 100.0 * 1024


@pytest.fixture
def source(server: str) -> Iterator[str]:
    """A small database that is said to be larger."""
    with fresh_database(server) as dsn:
        with psycopg.connect(dsn, autocommit=True) as connection:
            connection.execute("create table huts as select generate_series(1, 1000) as hut")
        yield dsn


@contextlib.contextmanager
def copier(source: str) -> Iterator[tuple[Copies, Connection]]:
    with connected(source) as admin:
        name = str(conninfo_to_dict(source)["dbname"])
        with copies(connector_to(source), admin, name, _LARGE_KB) as maker:
            yield maker, admin


def _rows(source: str, copy: str) -> int:
    with psycopg.connect(make_conninfo(source, dbname=copy)) as connection:
        (row,) = connection.execute("select count(*) from huts").fetchall()
    return int(row[0])


def test_a_copy_made_by_files_is_whole(source: str) -> None:
    with copier(source) as (maker, _):
        assert _rows(source, maker.make()) == 1000


def test_where_the_file_system_can_not_the_server_copies(source: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """What it says then is taken from a server's errors on such a file system: 0A000, 58000 or XX000."""
    asked: list[str] = []
    create = Copies._create_with

    def refused(maker: Copies, name: str, origin: str, strategy: str) -> None:
        row = maker.admin.execute("select current_setting('file_copy_method', true)").fetchone()
        asked.append(str(row[0]) if row else "")
        if asked[-1].lower() == "clone":
            raise psycopg.errors.FeatureNotSupported("could not clone file")
        create(maker, name, origin, strategy)

    monkeypatch.setattr(Copies, "_create_with", refused)
    with copier(source) as (maker, admin):
        assert _rows(source, maker.make()) == 1000
        clones = admin.info.server_version >= 180000

    assert [method.lower() for method in asked] == (["clone", "copy"] if clones else ["none"])
