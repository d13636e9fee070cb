"""Fixtures for tests that sweep: a database of huts, and a way to connect to it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager

import pytest

from rowreckon.server.connecting.connection import Connection, connected
from tests.server.huts import SCHEMA
from tests.servers.databases import fresh_database, run_script


@pytest.fixture(scope="module")
def huts(server: str) -> Iterator[str]:
    """DSN of the huts' database, one for each test module."""
    with fresh_database(server) as dsn:
        run_script(dsn, SCHEMA)
        yield dsn


@pytest.fixture
def connect(huts: str) -> Callable[[], AbstractContextManager[Connection]]:
    return lambda: connected(huts)
