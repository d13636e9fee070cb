"""A stand-in of 200 relations is built in a few times what a bare server with the same definitions takes.

Measured side by side in one run: initdb, start and the definitions' statements one by one, beside the whole stand-in
with statistics, ends of columns, rights and the sizes of files.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.server.connecting.connection import connected
from rowreckon.server.own.embedded import embedded_server
from rowreckon.server.stand_in.gather import read_stand_in_facts
from rowreckon.server.stand_in.standing import stand_in
from rowreckon.stand_in.definitions import definitions
from rowreckon.stand_in.facts import StandInFacts
from tests.servers.databases import fresh_database

_RELATIONS = 200
_PAIRS = 3
_MOST_TIMES = 4.0


@pytest.fixture
def facts(server: str) -> Iterator[StandInFacts]:
    """Of 200 tables with ten columns and three indexes each."""
    with fresh_database(server) as dsn:
        with psycopg.connect(dsn, autocommit=True) as loading:
            for n in range(_RELATIONS):
                loading.execute(
                    f"create table hut{n} (id int primary key, a int not null, b text, c date, d numeric(9,2), e bool,"
                    " f text, g timestamptz, h int, k varchar(20))".encode()
                )
                loading.execute(
                    f"insert into hut{n} select i, i % 7, 'b' || i % 50, date '2024-01-01' + i % 300, i * 1.5,"
                    " i % 2 = 0, 'f' || i, timestamptz '2024-01-01 00:00+00' + i * interval '1 min', i % 1000,"
                    " 'k' || i % 9 from generate_series(1, 300) i".encode()
                )
                loading.execute(f"create index on hut{n} (a)".encode())
                loading.execute(f"create index on hut{n} (c, h)".encode())
            loading.execute("analyze")
        with connected(dsn) as source:
            yield read_stand_in_facts(source, [("public", f"hut{n}") for n in range(_RELATIONS)])


def _bare(facts: StandInFacts) -> float:
    made = definitions(facts)[0]
    begun = time.perf_counter()
    with embedded_server() as dsn, psycopg.connect(dsn, autocommit=True) as loading:
        for each in made:
            loading.execute(each.text.encode())
        return time.perf_counter() - begun


def _whole(facts: StandInFacts) -> float:
    begun = time.perf_counter()
    with stand_in(facts) as there:
        taken = time.perf_counter() - begun
        assert there.without == ()
    return taken


@pytest.mark.full
@pytest.mark.server
def test_two_hundred_relations(facts: StandInFacts) -> None:
    """The median of pairs; seconds are printed, and depend on what else runs."""
    pairs = [(_whole(facts), _bare(facts)) for _ in range(_PAIRS)]
    whole, times = statistics.median(w for w, _ in pairs), statistics.median(w / b for w, b in pairs)
    print(f"\n{_RELATIONS} relations: {whole:.1f} s, {times:.2f} times a bare server with the definitions")

    assert times <= _MOST_TIMES
