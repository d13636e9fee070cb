"""A stand-in out of a dump alone: where what it holds is enough, plans are the same to the cent; the rest is named.

The dump is pg_dump's own, of a live server whose planner decides.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest

from rowreckon.errors import BrokenPlan
from rowreckon.server.connecting.connection import connected
from rowreckon.server.own.binaries import wheel_root
from rowreckon.server.stand_in.asking import AGREES, FROM_DUMP
from rowreckon.server.stand_in.standing import stand_in
from rowreckon.stand_in.compare import plan_differences
from rowreckon.stand_in.facts import heights_of
from rowreckon.stand_in.from_dump.facts import facts_of_dump
from rowreckon.stand_in.from_dump.heights import guessed_height
from rowreckon.stand_in.mentioned import mentioned
from tests.cli.running import rowreckon
from tests.servers.databases import fresh_database

from .test_same_plans import both, build, facts_of

SCRIPT = """
create schema lake;
create type lake.kind as enum ('row', 'sail', 'motor');
create domain lake.weight as int;
create table lake.boat (id int primary key, name text not null, kind lake.kind not null, tons lake.weight,
  upper_name text generated always as (upper(name)) stored, unique (name, id));
insert into lake.boat select i, 'Boat ' || i % 700, (array['row', 'sail', 'motor'])[1 + i % 3]::lake.kind, i % 90
  from generate_series(1, 20000) i;
create index boat_tons on lake.boat (tons) where kind = 'sail';
create index boat_lower on lake.boat (lower(name));
create table lake.trip (id int primary key, boat_id int not null references lake.boat, day date not null,
  span int4range);
insert into lake.trip select i, 1 + (i::bigint * 7919) % 20000, date '2025-01-01' + i % 500,
  int4range(i % 70, i % 70 + 9)
  from generate_series(1, 60000) i;
create index trip_boat on lake.trip (boat_id);
create index trip_day on lake.trip using brin (day);
create table lake.wind (day date not null, knots int) partition by range (day);
create table lake.wind_old partition of lake.wind for values from ('2024-01-01') to ('2025-01-01');
create table lake.wind_rest partition of lake.wind default;
insert into lake.wind select date '2024-01-01' + i % 800, i % 60 from generate_series(1, 20000) i;
create index wind_day on lake.wind (day);
create table lake.log (id int, note text);
create table lake.log_old (year int) inherits (lake.log);
insert into lake.log_old select i, 'n' || i % 9, 2000 + i % 20 from generate_series(1, 5000) i;
create view lake.sailing as select t.*, b.name from lake.trip t
  join lake.boat b on b.id = t.boat_id where b.kind = 'sail';
create function lake.fee(int) returns int language plpgsql immutable as 'begin return $1; end';
vacuum analyze;
create table lake.late (id int);
insert into lake.late select generate_series(1, 1000);
analyze lake.late;
insert into lake.late select generate_series(1, 20000);
"""
SAME = (
    "select * from lake.boat b join lake.trip t on t.boat_id = b.id where b.tons = 7 and b.kind = 'sail'",
    "select * from lake.boat where lower(name) = 'boat 77'",
    "select * from lake.boat where upper_name > 'BOAT 5' order by name, id limit 9",
    "select * from lake.trip where day between '2025-03-01' and '2025-03-04'",
    "select * from lake.trip where span && int4range(3, 5) and boat_id = 12",
    "select * from lake.wind where day = '2024-05-05'",
    "select w.day, count(*) from lake.wind w join lake.trip t on t.day = w.day where w.knots > 55 group by 1",
    "select * from lake.log where note = 'n3'",
    "select * from lake.sailing where id = 7",
)
GROWN = "select * from lake.late"


@pytest.fixture(scope="module")
def source(server: str) -> Iterator[tuple[psycopg.Connection[Any], str]]:
    """A session in a database, and what pg_dump tells of it."""
    with fresh_database(server) as dsn:
        with psycopg.connect(dsn, autocommit=True) as loading:
            build(loading, SCRIPT)
        command = [str(wheel_root() / "bin" / "pg_dump"), "-d", dsn, "--no-data", "--statistics"]
        done = subprocess.run(command, check=True, capture_output=True, text=True, timeout=120)
        with connected(dsn) as session:
            yield session, done.stdout


def named(*queries: str) -> set[tuple[str | None, str]]:
    """The relations of queries."""
    return {relation for query in queries for relation in mentioned(query)[0]}


@pytest.mark.server
def test_plans_are_the_same_where_the_dump_holds_enough(source: tuple[psycopg.Connection[Any], str]) -> None:
    """To the cent, with heights that were guessed; a table that has grown since its ANALYZE shows what a dump lacks."""
    session, dump = source
    facts = facts_of_dump([dump], named(*SAME, GROWN))
    assert facts is not None
    asked = facts_of(session, SAME)
    names = {index.oid: index.name for index in (*facts.indexes, *asked.indexes)}
    guessed = {names[oid]: height for oid, height in heights_of(facts).items()}
    assert guessed == {names[oid]: height for oid, height in heights_of(asked).items()}

    with stand_in(facts) as there:
        for query in SAME:
            for off in ({}, {"enable_hashjoin": "off"}, {"enable_seqscan": "off"}):
                settings = {"max_parallel_workers_per_gather": "0", **off}
                assert plan_differences(*both(session, there.planner, query, settings)) == (), query
        assert plan_differences(*both(session, there.planner, GROWN, {}))
        said = " | ".join(there.without)
    for part in (
        "page counts",
        "guessed",
        "collation",
        "function fee is not taken",
        "ends of the column id that leads",
    ):
        assert part in said


@pytest.mark.server
def test_the_audit_takes_a_dump(source: tuple[psycopg.Connection[Any], str], tmp_path: Path) -> None:
    """As a file of facts; what it rests on is said; without a stand-in it is a schema file as before."""
    session, dump = source
    row = session.execute(f"explain (analyze, format json) {SAME[0]}".encode()).fetchone()
    assert row is not None
    for name, text in (("plan.json", json.dumps(row[0])), ("query.sql", f"{SAME[0]};\n"), ("dump.sql", dump)):
        (tmp_path / name).write_text(text)
    plan, query, facts = (str(tmp_path / name) for name in ("plan.json", "query.sql", "dump.sql"))
    done = rowreckon("audit", plan, "--facts", facts, "--query", query, "--format", "json")
    assert done.returncode == 0, done.stderr
    assert AGREES in done.stdout
    assert FROM_DUMP in done.stdout
    without = rowreckon("audit", plan, "--facts", facts, "--no-stand-in", "--format", "json")
    assert without.returncode == 0, without.stderr
    assert "stand-in" not in without.stdout


TABLE = "create table lake.boat (id int);\n"
SIZES = (
    "select * from pg_catalog.pg_restore_relation_stats('version', '180006'::integer, 'schemaname', 'lake',"
    " 'relname', 'boat', 'relpages', '{pages}'::integer, 'reltuples', '9'::real);\n"
)
WANTED = {("lake", "boat")}


def test_a_dump_without_statistics_gives_none() -> None:
    """Nor one of other tables."""
    assert facts_of_dump([TABLE], WANTED) is None
    assert facts_of_dump([TABLE + SIZES.format(pages=3)], {("lake", "other")}) is None
    facts = facts_of_dump([TABLE, SIZES.format(pages=3)], WANTED)
    assert facts is not None
    assert [relation.pages for relation in facts.relations] == [3]


def test_a_dump_that_means_harm() -> None:
    """Sizes beyond reason are refused in one sentence, what is no number is named, and nothing but names is taken."""
    with pytest.raises(BrokenPlan, match="no stand-in is built from the dump") as refused:
        facts_of_dump([TABLE + SIZES.format(pages=2**60)], WANTED)
    assert "\n" not in refused.value.sentence()
    odd = facts_of_dump([TABLE + SIZES.format(pages="many") + SIZES.format(pages=4)], WANTED)
    assert odd is not None
    assert any("is no number" in each for each in odd.missing)
    more = (
        "do $$ begin end $$; copy lake.boat from program 'id'; create index i on lake.nowhere (id); select pg_sleep(9);"
    )
    held = facts_of_dump([TABLE + more + SIZES.format(pages=4)], WANTED)
    assert held is not None
    assert not any(word in held.model_dump_json() for word in ("program", "pg_sleep", "begin"))


@pytest.mark.parametrize(("pages", "width", "height"), [(0, 4, 0), (2, 4, 0), (3, 4, 1), (10_000, 8, 2)])
def test_heights(pages: int, width: float, height: int) -> None:
    """One page of leaves is a root; three hundred or so go below each of the next level (nbtree.h's fill of 70 %)."""
    assert guessed_height(pages, width) == height
