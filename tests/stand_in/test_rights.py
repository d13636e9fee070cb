"""A stand-in plans for each role what the source plans for it: policies, owners, grants, barriers, leakproof functions.

PostgreSQL decides: the same query under SET ROLE on the server with the data.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import psycopg
import pytest

from rowreckon import releases
from rowreckon.server.connecting.connection import connected
from rowreckon.server.stand_in.for_role import planned_for_its_role
from rowreckon.server.stand_in.standing import stand_in
from rowreckon.stand_in.compare import plan_differences
from rowreckon.stand_in.facts import StandInFacts
from tests.servers.databases import fresh_database
from tests.servers.fixtures import Servers

from .scene import SWITCHES
from .scene_rights import QUERIES, ROLES, SCHEMA
from .test_same_plans import both, build, facts_of, folder_of


@contextmanager
def housed(dsn: str) -> Iterator[psycopg.Connection[Any]]:
    """A session in a database with the roles' house; the roles are gone afterwards."""
    with psycopg.connect(dsn, autocommit=True) as server:
        for role in ROLES:
            server.execute(f"drop role if exists {role}".encode())
        try:
            with fresh_database(dsn) as database:
                with psycopg.connect(database, autocommit=True) as loading:
                    build(loading, SCHEMA)
                with connected(database) as source:
                    yield source
        finally:
            for role in ROLES:
                server.execute(f"drop role if exists {role}".encode())


def facts_for_all(source: psycopg.Connection[Any]) -> StandInFacts:
    """What a stand-in for all roles' queries is built from."""
    return facts_of(source, [query for queries in QUERIES.values() for query in queries])


def compare_roles(source: psycopg.Connection[Any], major: int, switches: Sequence[tuple[str, ...]]) -> None:
    """Each role's queries, and who was told nothing of."""
    with stand_in(facts_for_all(source), folder_of(major)) as there:
        assert there.without == ()
        seen_otherwise = 0
        for role, queries in QUERIES.items():
            for query in queries:
                for off in switches:
                    settings = dict.fromkeys(off, "off")
                    plan, made = both(source, there.planner, query, settings, role)
                    assert plan_differences(plan, made) == (), (role, query, settings)
                    seen_otherwise += bool(plan_differences(plan, both(source, there.planner, query, settings)[1]))
        assert seen_otherwise > 5


@pytest.mark.server
def test_each_role_has_its_plans(servers: Servers) -> None:
    """The newest release; more than five of the plans are others for who sees everything, so the comparison can fail.

    Given a plan alone, the role is found under which it comes out.
    """
    with housed(servers(releases.NEWEST).dsn) as source:
        compare_roles(source, releases.NEWEST, [()])
        facts = facts_for_all(source)
        with stand_in(facts) as there:
            for role in ("huts_warden", "huts_clerk"):
                query = QUERIES[role][0]
                plan, _ = both(source, there.planner, query, {}, role)
                found, document = planned_for_its_role(there.planner, facts, query, {}, plan)
                assert plan_differences(plan, document["Plan"]) == ()
                assert not found.sees_everything
                _, named = planned_for_its_role(there.planner, facts, query, {}, {}, captured_as=role)
                assert plan_differences(plan, named["Plan"]) == ()


@pytest.mark.full
@pytest.mark.server
@pytest.mark.parametrize("major", releases.MODELLED)
def test_each_role_has_its_plans_on_every_release(servers: Servers, major: int) -> None:
    """With methods switched off as well."""
    with housed(servers(major).dsn) as source:
        compare_roles(source, major, SWITCHES)
