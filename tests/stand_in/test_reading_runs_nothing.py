"""Reading what a stand-in needs, for a file, runs no code of the database's users and has none print anything.

The snares are those of `tests/catalog`: types that fail when they are printed, and tables whose planning calls a spy.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import psycopg
import pytest

from rowreckon import releases
from rowreckon.errors import BrokenPlan
from rowreckon.server.connecting.connection import connected
from rowreckon.server.stand_in.gather import read_stand_in_facts
from rowreckon.stand_in.facts import StandInFacts
from tests.catalog import test_files_plan_nothing_of_yours as spying
from tests.catalog import test_files_print_nothing_of_yours as snaring
from tests.servers.databases import fresh_database, run_script
from tests.servers.fixtures import Servers

MAJORS = [pytest.param(m, marks=() if m == releases.NEWEST else pytest.mark.full) for m in releases.MODELLED]
TABLES = ("hut", "by_word", "by_word_a", "by_snail", "heaped", "twin")


@pytest.fixture(scope="module", params=MAJORS)
def snared(servers: Servers, request: pytest.FixtureRequest) -> Iterator[str]:
    """A database with types that only fail when printed."""
    with fresh_database(servers(request.param).dsn) as dsn:
        run_script(dsn, snaring.TYPES)
        run_script(dsn, snaring.TABLES)
        yield dsn


@pytest.fixture(scope="module", params=MAJORS)
def spied(servers: Servers, request: pytest.FixtureRequest) -> Iterator[str]:
    """A database whose functions take a lock when they are called."""
    with fresh_database(servers(request.param).dsn) as dsn:
        run_script(dsn, spying.TABLES)
        if request.param >= 14:
            run_script(dsn, spying.STATISTICS)
        yield dsn


def read(dsn: str, tables: tuple[str, ...], *, from_file: bool) -> StandInFacts:
    with connected(dsn) as connection:
        return read_stand_in_facts(connection, [("public", table) for table in tables], from_file=from_file)


@pytest.mark.server
def test_nothing_of_a_users_is_printed(snared: str) -> None:
    """What would print the snare is left out and named; what PostgreSQL's own types hold is there."""
    facts = read(snared, TABLES, from_file=True)

    assert not any("cannot display a value" in each for each in facts.missing)
    assert any("no file makes the server run that" in each for each in facts.missing)
    assert {index.name for index in facts.indexes} >= {"plain", "twin_part"}
    assert not {"snaring", "casting", "crawling"} & {index.name for index in facts.indexes}
    assert {c.type for c in facts.columns if c.name == "word" and c.relation == _oid(facts, "hut")} == {None}
    assert "s3" in facts.model_dump_json()


@pytest.mark.server
def test_the_snare_goes_off(snared: str) -> None:
    """The twin: for plans of one's own these are printed, and fail; what is lacking then is told."""
    with pytest.raises(BrokenPlan, match="cannot display a value"):
        read(snared, TABLES, from_file=False)


def _oid(facts: StandInFacts, name: str) -> int:
    return next(relation.oid for relation in facts.relations if relation.name == name)


def _called(connection: psycopg.Connection[Any], *, from_file: bool) -> bool:
    tables = [*spying.PLACES, *(f"{place}_twin" for place in spying.PLACES), "hut", "canary"]
    for table in tables:
        read_stand_in_facts(connection, [("public", table)], ["spy", "spy_too"], from_file=from_file)
    return spying.was_called(connection)


@pytest.mark.server
def test_nothing_of_a_users_is_called(spied: str) -> None:
    """Heights are asked, and ends looked up, only of tables without code of their own."""
    with connected(spied) as connection:
        connection.execute("set constraint_exclusion = on")
        assert not _called(connection, from_file=True)
        assert _called(connection, from_file=False)
