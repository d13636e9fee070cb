"""The bar: for index changes, 98 % of the plans foretold on a stand-in are those that come with the data.

PostgreSQL decides: the index is built or dropped on the server with data, every query of the list planned, and all of
it rolled back.  The changes are drawn by lot from all that a table's columns and indexes allow, before anything was
asked.  Queries with parameters, and those that a stand-in refuses, are left out on both sides.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final

import psycopg
import pytest

from rowreckon.errors import RowreckonError
from rowreckon.plan.same import AsRun, as_run
from rowreckon.server.connecting.connection import connected
from rowreckon.server.samples.build import build_samples, sample_queries
from rowreckon.server.stand_in.changes.changing import changed
from rowreckon.server.stand_in.planning import Planner
from rowreckon.server.stand_in.standing import stand_in
from tests.second_faults.bench import FAULTS
from tests.second_faults.sessions import seeded
from tests.servers.databases import fresh_database
from tests.servers.fixtures import Servers

from . import valleys
from .scene import QUERIES as SCENE_QUERIES
from .test_same_plans import build, facts_of, folder_of, scripts_of

_NEW: Final = 8
_PAIRS: Final = 3
_DROPPED: Final = 4
"""Changes drawn for each database."""

_COLUMNS: Final = """
select c.oid::regclass::text, array_agg(quote_ident(a.attname) order by a.attnum) from pg_class c
  join pg_attribute a on a.attrelid = c.oid and a.attnum > 0 and not a.attisdropped
where c.relkind in ('r', 'm', 'p') and not c.relispartition and c.oid::regclass::text = any(%s)
  and exists (select from pg_opclass o join pg_am m on m.oid = o.opcmethod and m.amname = 'btree'
    where o.opcdefault and o.opcintype = a.atttypid or a.atttypid in ('varchar'::regtype, 'char'::regtype))
group by c.oid order by 1
"""
_INDEXES: Final = """
select i.indexrelid::regclass::text from pg_index i join pg_class c on c.oid = i.indrelid
where c.oid::regclass::text = any(%s) and not c.relispartition
  and not exists (select from pg_constraint k where k.conindid = i.indexrelid) order by 1
"""


@dataclass
class Tally:
    """Plans compared, those that were foretold wrongly, and the same for plans that the change changes."""

    plans: int = 0
    changed: int = 0
    wrong: int = 0
    wrong_changed: int = 0
    false_alarms: int = 0
    changes: int = 0

    def add(self, before: AsRun, real: AsRun, foretold: AsRun) -> bool:
        """Whether one plan was foretold."""
        self.plans += 1
        self.changed += real != before
        self.wrong += foretold != real
        self.wrong_changed += foretold != real and real != before
        self.false_alarms += foretold != before and real == before
        return foretold == real

    def __str__(self) -> str:
        return (
            f"{self.plans - self.wrong:,} of {self.plans:,} plans foretold over {self.changes} changes; of"
            f" {self.changed:,} that change {self.changed - self.wrong_changed:,}; {self.false_alarms} false alarms"
        )


def changes_of(source: psycopg.Connection[Any], tables: Sequence[str], lot: random.Random) -> list[str]:
    """Index changes on these tables, drawn by lot."""
    columns = source.execute(_COLUMNS, (list(tables),)).fetchall()
    single = [f"create index bar_new on {table} ({column})" for table, names in columns for column in names]
    pairs = [f"create index bar_new on {t} ({a}, {b})" for t, names in columns for a in names for b in names if a != b]
    drops = [f"drop index {name}" for (name,) in source.execute(_INDEXES, (list(tables),)).fetchall()]
    return [
        each for group, most in ((single, _NEW), (pairs, _PAIRS), (drops, _DROPPED)) for each in _some(group, most, lot)
    ]


def _some(items: list[str], most: int, lot: random.Random) -> list[str]:
    return lot.sample(items, min(most, len(items)))


def planned(source: psycopg.Connection[Any], queries: Sequence[str]) -> list[AsRun]:
    """What the server with data plans."""
    found = []
    for query in queries:
        row = source.execute(f"explain (format json) {query}".encode()).fetchone()
        assert row is not None
        found.append(as_run(row[0][0]["Plan"]))
    return found


def with_data(source: psycopg.Connection[Any], statement: str, queries: Sequence[str]) -> list[AsRun]:
    """The same with the change, rolled back: also the sizes that CREATE INDEX writes past a rollback."""
    with source.transaction(force_rollback=True):
        source.execute("update pg_class set relpages = relpages where oid >= 16384 and relkind in ('r', 'm', 'p')")
        source.execute(statement.encode())
        return planned(source, queries)


def askable(planner: Planner, source: psycopg.Connection[Any], queries: Sequence[str]) -> list[str]:
    """The queries that both can plan."""
    found = []
    for query in queries:
        try:
            planner.plan(query, {})
            with source.transaction(force_rollback=True):
                source.execute(f"explain {query}".encode(), binary=True)
        except (RowreckonError, psycopg.Error):
            continue
        found.append(query)
    return found


def compare(dsn: str, name: str, queries: Sequence[str], major: int, tally: Tally) -> Iterator[str]:
    """Every change for every query; gives what was foretold wrongly."""
    with connected(dsn) as source:
        facts = facts_of(source, queries)
        source.execute("select set_config('max_parallel_workers_per_gather', '0', false)")
        tables = [
            row[0]
            for row in source.execute(
                "select c.oid::regclass::text from pg_class c where c.oid = any(%s::oid[])",
                ([each.oid for each in facts.relations if each.kind in ("r", "p", "m")],),
            ).fetchall()
        ]
        with stand_in(facts, folder_of(major)) as there:
            serial = {"max_parallel_workers_per_gather": "0"}
            asked = askable(there.planner, source, queries)
            before = planned(source, asked)
            for statement in changes_of(source, tables, random.Random(name)):
                try:
                    real = with_data(source, statement, asked)
                except psycopg.Error:
                    continue
                tally.changes += 1
                with changed(there, (statement,)) as now:
                    foretold = [as_run(now.planner.plan(query, serial)["Plan"]) for query in asked]
                for query, *shapes in zip(asked, before, real, foretold, strict=True):
                    if not tally.add(*shapes):
                        yield f"{name}: {statement}: {query}"


@contextmanager
def _samples(server: str, major: int) -> Iterator[tuple[str, list[str]]]:
    del major
    with fresh_database(server) as dsn:
        with connected(dsn) as connection:
            build_samples(connection)
        yield dsn, [item.text for item in sample_queries()]


@contextmanager
def _scene(server: str, major: int) -> Iterator[tuple[str, list[str]]]:
    with fresh_database(server) as dsn:
        with psycopg.connect(dsn, autocommit=True) as connection:
            build(connection, *scripts_of(major))
        yield dsn, [query for queries in SCENE_QUERIES.values() for query in queries]


@contextmanager
def _valleys(server: str, major: int) -> Iterator[tuple[str, list[str]]]:
    del major
    with fresh_database(server) as dsn:
        with psycopg.connect(dsn, autocommit=True) as connection:
            build(connection, valleys.SCHEMA)
        yield dsn, list(valleys.QUERIES.values())


SOURCES: Final[Mapping[str, Callable[[str, int], Any]]] = {
    "the samples": _samples,
    "the scene": _scene,
    "valleys": _valleys,
}


@pytest.mark.full
@pytest.mark.server
@pytest.mark.parametrize("major", [18, 16])
def test_index_changes_are_foretold(servers: Servers, major: int) -> None:
    """Prints how many, and each that was not, for the samples and for the data of the second bench's faults."""
    whole = Tally()
    wrong: list[str] = []
    for name, source in SOURCES.items():
        own = Tally()
        with source(servers(major).dsn, major) as (dsn, queries):
            wrong += compare(dsn, name, queries, major, own)
        print(f"\nPostgreSQL {major}, {name}: {own}", flush=True)
        _add(whole, own)
    own = Tally()
    for fault in FAULTS:
        with seeded(servers(major).dsn, fault) as dsn:
            wrong += compare(dsn, fault.name, [*fault.others.values(), fault.query], major, own)
    print(f"\nPostgreSQL {major}, the second bench's faults: {own}", flush=True)
    _add(whole, own)
    print("\n".join([f"PostgreSQL {major}: {whole}", *wrong]))

    assert whole.changes > 200
    assert whole.changed > 200
    assert whole.wrong <= 0.02 * whole.plans


def _add(whole: Tally, part: Tally) -> None:
    for field in vars(whole):
        setattr(whole, field, getattr(whole, field) + getattr(part, field))
