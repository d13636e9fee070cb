"""Real PostgreSQL servers for tests.

server           DSN of a server: $ROWRECKON_TEST_DSN, else the embedded one, one per test process
servers          a server of the major that is asked for, one per test process, started when it is first asked for
matrix_server    a server of each major that is modelled, in turn: MatrixServer(major, dsn)
database         DSN of a fresh database on `server`, one per test module
reading_database an empty database on each major whose plans are read
matrix_database  the same on `matrix_server`: MatrixServer whose dsn names the fresh database

The servers of the matrix are unpacked by `.ci/matrix-servers` into $ROWRECKON_MATRIX_DIR, or into its default
folder; without them those tests skip, unless ROWRECKON_REQUIRE_MATRIX=1.  Tests that use these fixtures get the
markers `server` and `matrix` by themselves; tests marked `full` run only when `-m` names that marker.  Long tests
marked `oldest_and_newest` run on the first and the last release by default, those marked `newest` on the last, and on
all others in the full run.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest

from rowreckon import releases
from rowreckon.server.own.embedded import embedded_server
from rowreckon.server.own.rundir import cache_folder

from .databases import fresh_database

# Small enough that seven servers at once fit beside everything else; large enough that no fixture spills.
TEST_SETTINGS = {"shared_buffers": "32MB", "autovacuum": "off"}


@dataclass(frozen=True)
class MatrixServer:
    """One server of the version matrix."""

    major: int
    dsn: str


def matrix_folder() -> Path:
    """Where the unpacked servers of the matrix are expected: one folder per major."""
    named = os.environ.get("ROWRECKON_MATRIX_DIR")
    return Path(named) if named else cache_folder() / "matrix"


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """DSN of a running server with rights to create databases."""
    given = os.environ.get("ROWRECKON_TEST_DSN")
    if given:
        yield given
        return
    with embedded_server(settings=TEST_SETTINGS) as dsn:
        yield dsn


@contextlib.contextmanager
def running(major: int, settings: Mapping[str, str] = TEST_SETTINGS) -> Iterator[MatrixServer]:
    """A throw-away server of one major; the newest is the wheel's. Skips, or fails if demanded, where it is absent."""
    installation: Path | None = None
    if major != releases.NEWEST:
        installation = matrix_folder() / str(major)
        if not (installation / "bin" / "postgres").exists():
            reason = f"no PostgreSQL {major} in {installation}; run .ci/matrix-servers"
            if os.environ.get("ROWRECKON_REQUIRE_MATRIX") == "1":
                pytest.fail(reason, pytrace=False)
            pytest.skip(reason)
    with embedded_server(installation=installation, settings=settings) as dsn:
        yield MatrixServer(major, dsn)


Servers = Callable[[int], MatrixServer]


@pytest.fixture(scope="session")
def servers() -> Iterator[Servers]:
    """A server of a major; it stays until the tests end, since a parametrised fixture would start it for each file."""
    started: dict[int, MatrixServer] = {}
    with contextlib.ExitStack() as kept:

        def of(major: int) -> MatrixServer:
            if major not in started:
                started[major] = kept.enter_context(running(major))
            return started[major]

        yield of


@pytest.fixture(scope="session", params=releases.MODELLED, ids=lambda major: f"pg{major}")
def matrix_server(request: pytest.FixtureRequest, servers: Servers) -> MatrixServer:
    """A server of each major whose planner is modelled, in turn."""
    return servers(request.param)


@pytest.fixture(scope="module", params=releases.READ, ids=lambda major: f"pg{major}")
def reading_database(request: pytest.FixtureRequest, servers: Servers) -> Iterator[MatrixServer]:
    """An empty database on a server of each major whose plans are read, the unmodelled included."""
    server = servers(request.param)
    with fresh_database(server.dsn) as dsn:
        yield MatrixServer(server.major, dsn)


@pytest.fixture(scope="module")
def database(server: str) -> Iterator[str]:
    """DSN of an empty database for one test module."""
    with fresh_database(server) as dsn:
        yield dsn


@pytest.fixture(scope="module")
def matrix_database(matrix_server: MatrixServer) -> Iterator[MatrixServer]:
    """An empty database for one test module on each server of the matrix."""
    with fresh_database(matrix_server.dsn) as dsn:
        yield MatrixServer(matrix_server.major, dsn)


def pytest_report_header() -> str:
    """Say which servers the run uses."""
    kind = "from ROWRECKON_TEST_DSN" if os.environ.get("ROWRECKON_TEST_DSN") else "embedded"
    there = [str(major) for major in releases.READ[:-1] if (matrix_folder() / str(major) / "bin" / "postgres").exists()]
    return f"PostgreSQL: {kind}; matrix: {', '.join([*there, f'embedded {releases.NEWEST}'])}"


def _left_to_the_full_run(item: pytest.Item) -> bool:
    """Whether the test's server is of another release than its marker names, among those that the fixture starts."""
    kept = [at for marker, at in (("oldest_and_newest", (0, -1)), ("newest", (-1,))) if item.get_closest_marker(marker)]
    parameters = getattr(getattr(item, "callspec", None), "params", {})
    return bool(kept) and any(
        parameters[fixture] not in [majors[at] for at in kept[0]]
        for fixture, majors in (
            ("matrix_server", releases.MODELLED),
            ("connection", releases.MODELLED),
            ("reading_database", releases.READ),
        )
        if isinstance(parameters.get(fixture), int)
    )


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Mark tests by the servers that they ask for, and leave bar-sized ones out unless they are named."""
    for item in items:
        wanted = getattr(item, "fixturenames", ())
        if "server" in wanted:
            item.add_marker(pytest.mark.server)
        if "servers" in wanted:
            item.add_marker(pytest.mark.matrix)
        if _left_to_the_full_run(item):
            item.add_marker(pytest.mark.full)
    if "full" in (config.getoption("markexpr") or ""):
        return
    left_out = [item for item in items if item.get_closest_marker("full")]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if not item.get_closest_marker("full")]
