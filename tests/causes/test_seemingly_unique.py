"""Rows of two tables that go together, where no constraint speaks: a partitioned key, as many keys on both sides.

The live server's counts are what the finding has to tell.
"""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.server.lists.querylist import split_named
from tests.faults.runner import flush_counters

from .live import Connection, codes, first, judged, value

SETUP = """
create table tours(tour int, day date, state text, primary key (tour, day)) partition by range (day);
create table tours_1 partition of tours for values from ('2026-01-01') to ('2026-02-01');
create table tours_2 partition of tours for values from ('2026-02-01') to ('2026-03-01');
insert into tours select i, date '2026-01-01' + i % 59, case when i % 100 = 0 then 'lost' else 'done' end
  from generate_series(1, 20000) i;
create table searches(search int primary key, tour int, reason text);
insert into searches select i, case when i % 2 = 0 then i * 100 % 20000 else i * 31 % 20000 end,
  case when i % 2 = 0 then 'lost' else 'late' end from generate_series(1, 4000) i;
create table huts(hut int primary key, name text);
insert into huts select i, 'hut ' || i from generate_series(1, 300) i;
create table visits(visit int, hut int);
insert into visits select i, case when i % 20 < 19 then 11 else 1 + i / 20 % 300 end from generate_series(1, 60000) i;
create table letters(letter int, hut int);
insert into letters select i, 290 + i % 1000 from generate_series(1, 60000) i;
analyze;
"""


@pytest.fixture(scope="module")
def huts(database: str) -> Iterator[Connection]:
    """Tours by the month, searches for the lost ones, and visits of which most are in one hut."""
    with psycopg.connect(database, autocommit=True) as connection:
        for _, statement in split_named(SETUP):
            if statement.startswith("analyze"):
                flush_counters(connection)
            connection.execute(statement.encode())
        connection.execute("set max_parallel_workers_per_gather = 0")
        yield connection


def test_a_partitioned_tables_key_is_unique_by_its_statistics(huts: Connection) -> None:
    """No constraint is on the key alone; that it is unique all the same is the server's own count."""
    from_where = "from tours t join searches s on s.tour = t.tour where t.state = 'lost' and s.reason = 'lost'"
    found = first(judged(huts, f"select * {from_where}"))
    assert value(huts, "select count(distinct tour) = count(*) from tours")
    came = value(huts, f"select count(*) {from_where}")
    apart = value(
        huts,
        "select (select count(*) from tours where state = 'lost') * (select count(*) from searches"
        " where reason = 'lost')::float8 / (select count(*) from tours)",
    )

    assert found.code == "cross_table_correlation"
    assert found.finding.confidence >= 0.9
    assert found.finding.explains == pytest.approx(min(came / apart, found.factor), rel=0.01)


def test_as_many_keys_on_both_sides_are_the_same_keys(huts: Connection) -> None:
    """The rarely visited hut has fewer visits than an average one: both counted by the server. No key is declared."""
    from_where = "from visits v join huts h on h.hut = v.hut where h.name = 'hut 12'"
    (found,) = [f for f in judged(huts, f"select * {from_where}").findings if f.code != "missing_join_index"]
    came = value(huts, f"select count(*) {from_where}")
    average = value(huts, "select count(*)::float8 / (select count(*) from huts) from visits")

    assert found.code == "cross_table_correlation"
    assert found.finding.explains == pytest.approx(min(average / came, found.factor), rel=0.01)


def test_other_keys_on_one_side_prove_nothing(huts: Connection) -> None:
    """Most letters are to huts that are not there: fewer pairs than expected are rows without a partner."""
    found = judged(huts, "select * from letters l join huts h on h.hut = l.hut where h.name < 'hut 2'")

    assert "cross_table_correlation" not in codes(found)
    assert "join_key_skew" not in codes(found)
