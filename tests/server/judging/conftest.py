"""A database in which things ring, on the oldest and the newest server whose planner is modelled."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from rowreckon import releases
from rowreckon.server.connecting.connection import Connection, connected
from rowreckon.server.connecting.permission import SafetyPermission
from rowreckon.server.executing.execute import Executor, QueryRun
from rowreckon.server.lists.querylist import read_query_list
from tests.server.judging.scenes import BELL, SCHEMA
from tests.servers.databases import fresh_database, run_script
from tests.servers.fixtures import Servers

Run = Callable[..., QueryRun]
"""Runs the last statement of a list; permissions by name."""


@pytest.fixture(scope="module", params=[releases.OLDEST, releases.NEWEST], ids=lambda major: f"pg{major}")
def bells(request: pytest.FixtureRequest, server: str, servers: Servers) -> Iterator[str]:
    """DSN of a fresh database of bells; the newest server is the one that the other tests use."""
    chosen = server if request.param == releases.NEWEST else servers(request.param).dsn
    with fresh_database(chosen) as dsn:
        run_script(dsn, SCHEMA)
        yield dsn


@pytest.fixture
def session(bells: str) -> Iterator[Connection]:
    with connected(bells) as connection:
        yield connection


@pytest.fixture
def run(session: Connection) -> Run:
    def go(text: str, **permitted: bool) -> QueryRun:
        return Executor(session, SafetyPermission(**permitted)).run(read_query_list(text)[-1])

    return go


def rung(session: Connection) -> bool:
    """Whether the bell was rung in this session; it is silenced again."""
    found = session.execute("select count(*) from pg_locks where locktype = 'advisory' and objid = %s", (BELL,))
    row = found.fetchone()
    session.execute("select pg_advisory_unlock_all()")
    return row != (0,)
