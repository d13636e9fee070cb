"""Scans that read nearly all for nothing: the index that the server then takes, and the query that no order lures.

The live server is the judge: what is offered is carried out, and it must touch ten times fewer pages.
"""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.document.audit import Remedy
from rowreckon.proposals import propose
from rowreckon.remedies.kept_from_order import kept_from_order
from rowreckon.server.lists.querylist import split_named
from tests.faults.runner import capture, pages

from .live import Connection, codes, evenly_timed, judged, judged_capture

SETUP = """
create table walks(walk int primary key, hut int not null, day date not null, snow bool not null, told text not null);
insert into walks select i, 1 + (i * 7) % 3000, date '2019-01-01' + (i * 13) % 2500, i > 59000, repeat('w', 80)
  from generate_series(1, 60000) i;
create table valleys(hut int primary key, valley text not null);
insert into valleys select i, case when i > 2960 then 'late' else 'valley ' || i % 200 end
  from generate_series(1, 3000) i;
create table stays(stay int primary key, hut int not null, told text not null);
insert into stays select i, 1 + i * 3000 / 60001, repeat('s', 80) from generate_series(1, 60000) i;
analyze walks;
analyze valleys;
analyze stays;
"""
LATEST = (
    "select v.hut, w.told from valleys v cross join lateral (select told from walks w where w.hut = v.hut"
    " order by w.day desc limit 1) w where v.valley = 'valley 3'"
)
FIRST_SNOW = "select walk, told from walks where snow order by walk limit 20"
PAGED = "select told from walks where (day, walk) > (date '2021-05-05', 7) order by day, walk limit 20"
BOTH_WAYS = "select told from walks where hut = 9 order by day, walk desc limit 3"
LATE = (
    "select s.stay, s.told from stays s join valleys v on v.hut = s.hut where v.valley = 'late'"
    " order by s.stay limit 20"
)


@pytest.fixture(scope="module")
def valley(database: str) -> Iterator[Connection]:
    """Walks from huts, and stays in them, those of the late valley last."""
    with psycopg.connect(database, autocommit=True) as connection:
        for _, statement in split_named(SETUP):
            connection.execute(statement.encode())
        yield connection


def offered(connection: Connection, query: str) -> Remedy | None:
    """The first remedy for a query whose time is spread over all its nodes."""
    found = propose([evenly_timed(judged(connection, query))])
    return found[0] if found else None


@pytest.mark.parametrize(
    ("query", "keys"),
    [
        (LATEST, "(hut, day)"),
        (FIRST_SNOW, "(snow, walk)"),
        (PAGED, "(day, walk)"),
        (BOTH_WAYS, "(hut, day, walk DESC)"),
    ],
    ids=["latest of each", "late in the order", "paged by two columns", "sorted both ways"],
)
def test_the_index_that_is_offered_spares_the_pages(valley: Connection, query: str, keys: str) -> None:
    """Equality first, then the order; the server takes it, and what writes pay is said."""
    remedy, before = offered(valley, query), pages(valley, query)
    assert remedy is not None
    assert remedy.undo is not None
    valley.execute(remedy.sql_trial[0].encode())
    try:
        after, again = pages(valley, query), codes(judged(valley, query))
    finally:
        valley.execute(remedy.undo[0].encode())

    assert remedy.sql_trial[0].endswith(keys)
    assert after * 10 < before
    assert any("every INSERT" in caution for caution in remedy.cautions)
    assert "missing_join_index" not in again


def test_a_query_whose_order_lures_is_sorted_when_its_rows_are_found(valley: Connection) -> None:
    """The filter is on another table: no index holds both. The same rows come, from far fewer pages."""
    remedy, before = offered(valley, LATE), pages(valley, LATE)
    assert remedy is not None
    (text,) = remedy.sql

    assert remedy.kind == "query_rewrite"
    assert valley.execute(text.encode()).fetchall() == valley.execute(LATE.encode()).fetchall()
    assert pages(valley, text) * 10 < before


@pytest.mark.parametrize(
    "query",
    [
        "select told from walks where walk = 77",
        "select walk, told from walks order by walk limit 20",
        "select told from walks order by day limit 30000",
    ],
    ids=["found by its key", "ends at once", "half of it is wanted"],
)
def test_what_an_index_would_hardly_help_is_left_alone(valley: Connection, query: str) -> None:
    """None reads nearly all for nothing."""
    assert offered(valley, query) is None


@pytest.mark.parametrize(("ms", "found"), [(30.0, []), (300.0, ["missing_join_index"])])
def test_a_table_read_once_wants_an_index_where_somebody_waits(valley: Connection, ms: float, found: list[str]) -> None:
    """The same plan, with times set: what a person does not feel is no reason to pay at every write."""
    taken = capture(valley, "select told from walks where hut = 9")
    assert taken.explain is not None
    timed = taken.explain.plan.model_copy(update={"actual_total_time": ms})
    explain = taken.explain.model_copy(update={"plan": timed, "execution_time": ms + 1.0})

    assert codes(judged_capture(taken.model_copy(update={"explain": explain}))) == found


@pytest.mark.parametrize(
    "query",
    [
        "select * from walks order by walk limit 3",
        "select day from walks order by walk limit 3",
        "select walk, random() from walks order by walk limit 3",
        "select distinct walk from walks order by walk limit 3",
        "select walk from walks limit 3",
        "select w.walk, v.walk from walks w, walks v order by w.walk limit 3",
        "select walk from walks order by walk limit 3 for update",
    ],
)
def test_a_query_of_another_shape_is_not_rewritten(query: str) -> None:
    """Where a star, a function, a hidden key or a lock leaves open what the same rows are."""
    assert kept_from_order(query) is None


def test_a_key_with_its_table_is_that_tables_column(valley: Connection) -> None:
    """A bare name in ORDER BY means the output first (PostgreSQL documentation, SELECT, "ORDER BY Clause")."""
    for key in ("w.hut", "hut desc", "walk nulls first"):
        query = f"select w.hut as walk, w.walk as hut from walks w where w.walk < 50 order by {key} limit 7 offset 2"
        text = kept_from_order(query)

        assert text is not None
        assert valley.execute(text.encode()).fetchall() == valley.execute(query.encode()).fetchall()
