"""A stand-in plans as the server that it stands for does: the same nodes, and every figure to the cent.

PostgreSQL decides: a server with the data prints each plan, and an empty one of the same release plans it again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psycopg
import pytest

from rowreckon import releases
from rowreckon.server.connecting.connection import connected
from rowreckon.server.stand_in.gather import read_stand_in_facts
from rowreckon.server.stand_in.planning import Planner
from rowreckon.server.stand_in.standing import stand_in
from rowreckon.stand_in.compare import plan_differences
from rowreckon.stand_in.facts import StandInFacts
from rowreckon.stand_in.mentioned import mentioned
from rowreckon.stand_in.settings import planning_settings
from tests.servers.databases import fresh_database
from tests.servers.fixtures import Servers, matrix_folder

from . import scene_borrowed, scene_collations, scene_extensions, scene_indexes
from .scene import EXPRESSIONS, EXTENDED, QUERIES, SCHEMA, SWITCHES


def folder_of(major: int) -> Path | None:
    """Where the server programs of a release are; None for the wheel's."""
    return None if major == releases.NEWEST else matrix_folder()


def scripts_of(major: int) -> tuple[str, ...]:
    """What makes the scene on a release; the wheel's server was built without ICU."""
    later = (EXPRESSIONS, scene_indexes.MULTIRANGES) if major >= 14 else ()
    icu = (scene_collations.ICU,) if major < releases.NEWEST else ()
    more = (scene_collations.SCHEMA, *icu, scene_extensions.SCHEMA, scene_borrowed.SCHEMA)
    return (SCHEMA, EXTENDED, scene_indexes.SCHEMA, *later, *more)


def kinds_of(major: int) -> dict[str, tuple[str, ...]]:
    """The queries of each kind that a release has."""
    later = scene_indexes.OF_MULTIRANGES if major >= 14 else {}
    icu = scene_collations.OF_ICU if major < releases.NEWEST else {}
    more = {**scene_collations.QUERIES, **icu, **scene_extensions.QUERIES, **scene_borrowed.QUERIES}
    return {**QUERIES, **scene_indexes.QUERIES, **later, **more}


def build(connection: psycopg.Connection[Any], *scripts: str) -> None:
    """Run the statements of scripts one by one."""
    for script in scripts:
        for statement in script.split(";\n"):
            if statement.strip():
                connection.execute(statement.encode())


def facts_of(connection: psycopg.Connection[Any], queries: Sequence[str], *, with_values: bool = True) -> StandInFacts:
    """What a stand-in for these queries is built from."""
    relations: set[tuple[str | None, str]] = set()
    functions: set[str] = set()
    for query in queries:
        more_relations, more_functions = mentioned(query)
        relations |= more_relations
        functions |= more_functions
    return read_stand_in_facts(connection, relations, functions, with_values=with_values)


@contextmanager
def filled(servers: Servers, major: int) -> Iterator[psycopg.Connection[Any]]:
    """A session in the scene's database on a server of this release."""
    with fresh_database(servers(major).dsn) as dsn:
        with psycopg.connect(dsn, autocommit=True) as loading:
            build(loading, *scripts_of(major))
        with connected(dsn) as source:
            yield source


@pytest.fixture(scope="module")
def newest(servers: Servers) -> Iterator[psycopg.Connection[Any]]:
    """The scene on the newest release."""
    with filled(servers, releases.NEWEST) as source:
        yield source


def both(
    source: psycopg.Connection[Any], planner: Planner, query: str, settings: dict[str, str], role: str | None = None
) -> tuple[dict[str, Any], dict[str, Any]]:
    """The plan of the server with data, and the stand-in's, under the settings that the first one printed.

    For a role, or else for the one that is connected, which sees everything.
    """
    with source.transaction(force_rollback=True):
        for name, value in settings.items():
            source.execute("select set_config(%s, %s, true)", (name, value))
        if role is not None:
            source.execute("select set_config('role', %s, true)", (role,))
        row = source.execute(f"explain (format json, settings) {query}".encode()).fetchone()
    assert row is not None
    document: dict[str, Any] = row[0][0]
    asked = planner.for_role(role)
    return document["Plan"], asked.plan(query, planning_settings({}, document.get("Settings", {})))["Plan"]


def differing(
    source: psycopg.Connection[Any],
    planner: Planner,
    kinds: dict[str, tuple[str, ...]],
    switches: Sequence[tuple[str, ...]],
) -> tuple[int, list[str]]:
    """How many plans were compared, and those that differ."""
    count, found = 0, []
    for kind, queries in kinds.items():
        for query in queries:
            for off in switches:
                for parallel in ({"max_parallel_workers_per_gather": "0"}, {"parallel_setup_cost": "10"}):
                    settings = {**dict.fromkeys(off, "off"), **parallel}
                    differences = plan_differences(*both(source, planner, query, settings))
                    count += 1
                    found += [f"{kind}: {query} {settings}: {differences[:2]}"] if differences else []
    return count, found


def compare_all(source: psycopg.Connection[Any], major: int, switches: Sequence[tuple[str, ...]]) -> None:
    """Each kind of query."""
    kinds = kinds_of(major)
    facts = facts_of(source, [query for kind in kinds.values() for query in kind])
    with stand_in(facts, folder_of(major)) as there:
        count, found = differing(source, there.planner, kinds, switches)

    assert there.without == ()
    assert count > 300
    assert not found


@pytest.mark.server
def test_every_plan_is_the_same(newest: psycopg.Connection[Any]) -> None:
    """Serial and parallel, as the planner likes and without hash joins."""
    compare_all(newest, releases.NEWEST, SWITCHES[:2])


@pytest.mark.full
@pytest.mark.server
@pytest.mark.parametrize("major", releases.MODELLED)
def test_every_plan_of_every_release_is_the_same(servers: Servers, major: int) -> None:
    """With other methods switched off as well."""
    with filled(servers, major) as source:
        compare_all(source, major, SWITCHES)


@pytest.mark.server
def test_what_is_left_out_shows(newest: psycopg.Connection[Any]) -> None:
    """Without sampled values, and with a page more, the plans differ: the check can fail."""
    query = QUERIES["table"][0]
    facts = facts_of(newest, [query])
    rough = facts_of(newest, [query], with_values=False)
    assert "Hut 17" in facts.model_dump_json()
    assert "Hut 17" not in rough.model_dump_json()
    larger = facts.model_copy(
        update={"relations": tuple(r.model_copy(update={"pages": r.pages + 1}) for r in facts.relations)}
    )
    for changed in (rough, larger):
        with stand_in(changed) as there:
            assert plan_differences(*both(newest, there.planner, query, {}))


@pytest.mark.server
def test_what_columns_are_together_shows(newest: psycopg.Connection[Any]) -> None:
    """Without the data of statistics objects the plans of their kind differ: they are what the stand-in was given."""
    facts = facts_of(newest, QUERIES["columns together"])
    with stand_in(facts.model_copy(update={"extended_data": (), "extended_expressions": ()})) as there:
        count, found = differing(newest, there.planner, {"columns together": QUERIES["columns together"]}, [()])

    assert len(found) > count / 2
