"""The house of snares, one a test run on each server, and a watch over it."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon import releases
from tests.servers.fixtures import running

from .house import House, house
from .snapshot import snapshot
from .tool import Watch


@pytest.fixture(scope="session")
def newest_house() -> Iterator[House]:
    """The house on the newest release."""
    with running(releases.NEWEST) as server, house(server) as built:
        yield built


# a house takes the attacks a minute or two: each change is tried on the newest, the older ones in the full run
_OLDER = [pytest.param(major, id=f"pg{major}", marks=pytest.mark.full) for major in releases.MODELLED[:-1]]


@pytest.fixture(scope="session", params=_OLDER)
def older_house(request: pytest.FixtureRequest) -> Iterator[House]:
    """The house on each release before, in turn."""
    with running(request.param) as server, house(server) as built:
        yield built


@pytest.fixture
def bystander(newest_house: House) -> Iterator[psycopg.Connection[tuple[object, ...]]]:
    """Another session of the keeper's, which attacks try to end, and which hears what is notified."""
    with psycopg.connect(newest_house.keeper, autocommit=True, application_name="bystander") as session:
        session.execute("listen alarm")
        yield session


@pytest.fixture
def watch(newest_house: House, bystander: psycopg.Connection[tuple[object, ...]]) -> Watch:
    """A snapshot from before the test."""
    return Watch(newest_house, snapshot(newest_house))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests on the older houses need the servers of the matrix."""
    for item in items:
        names = getattr(item, "fixturenames", ())
        if "older_house" in names:
            item.add_marker(pytest.mark.matrix)
        elif "newest_house" in names:
            item.add_marker(pytest.mark.server)
