"""Plans for which the source's planner runs or inlines a function: each kind is named as not comparable.

PostgreSQL decides which these are: with the bodies in their places its plan is another than with stubs, or none.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import psycopg
import pytest

from rowreckon.capture import Capture
from rowreckon.errors import StatementFailed
from rowreckon.plan.document import parse_document
from rowreckon.server.connecting.connection import connected
from rowreckon.server.stand_in.asking import AGREES, asked_stand_in
from rowreckon.server.stand_in.changes.foretelling import before_any_change, listed_queries
from rowreckon.server.stand_in.standing import StandIn, stand_in
from rowreckon.stand_in.bodies import looked_into
from rowreckon.stand_in.compare import plan_differences
from rowreckon.stand_in.facts import StandInFacts
from tests.servers.databases import fresh_database

from .test_same_plans import both, build, facts_of

SCRIPT = """
create table tours (id int primary key, level int not null, days int not null);
insert into tours select i, i % 9, i % 40 from generate_series(1, 9000) i;
create function folded(int) returns int language plpgsql immutable as 'begin return $1 * 3; end';
create function guessed(int) returns int language plpgsql stable as 'begin return $1 * 3; end';
create function inlined(int) returns int language sql immutable as 'select $1 % 7';
create function easy(int) returns setof tours language sql stable as 'select * from tours where level < $1';
create function counted(int, int) returns setof int language plpgsql immutable rows 1000
  support pg_catalog.generate_series_int4_support as 'begin return query select generate_series($1, $2); end';
create function behind(int) returns bool language sql immutable as 'select $1 > 3';
create function within(int) returns bool language sql immutable as 'select $1 < 8';
create function of_index(int) returns int language sql immutable as 'select $1 / 2';
create view hard_tours as select * from tours where behind(level);
create table walks (id int primary key, level int not null, halves int generated always as (of_index(level)) stored);
insert into walks select i, i % 9 from generate_series(1, 9000) i;
create index walks_halves on walks (of_index(level));
alter table walks enable row level security;
create policy shown on walks using (within(level));
vacuum analyze;
"""
RUN = {
    "an immutable one": ("select * from tours where id = folded(3)", "folded(integer)"),
    "a stable one, for an estimate": (
        "select * from tours where id > guessed(3)",
        "guessed(integer)",
    ),
}
INLINED = {
    "a function of SQL in a condition": ("select * from tours where inlined(level) = 3", "inlined"),
    "a set-returning function of SQL": ("select * from easy(3) e where e.days = 4", "easy"),
    "a function with a support function": ("select * from counted(1, 7) c", "counted"),
    "a view's": ("select * from hard_tours where days = 3", "behind"),
    "an index's expression": ("select * from walks where of_index(level) = 3", "of_index"),
}


@pytest.fixture(scope="module")
def source(server: str) -> Iterator[psycopg.Connection[Any]]:
    """A session in a database with functions of each kind."""
    with fresh_database(server) as dsn:
        with psycopg.connect(dsn, autocommit=True) as loading:
            build(loading, SCRIPT)
        with connected(dsn) as session:
            yield session


@pytest.fixture(scope="module")
def facts(source: psycopg.Connection[Any]) -> StandInFacts:
    """What a stand-in for all of the queries is built from."""
    return facts_of(source, [query for query, _ in (*RUN.values(), *INLINED.values())])


@pytest.fixture(scope="module")
def there(facts: StandInFacts) -> Iterator[StandIn]:
    """A stand-in of these facts."""
    with stand_in(facts) as found:
        yield found


@pytest.mark.server
@pytest.mark.parametrize(("query", "name"), RUN.values(), ids=RUN.keys())
def test_one_that_the_planner_runs(
    source: psycopg.Connection[Any], there: StandIn, facts: StandInFacts, query: str, name: str
) -> None:
    """The source plans it; the stand-in says that it can't, and because of which function."""
    with pytest.raises(StatementFailed, match="not comparable") as refused:
        both(source, there.planner, query, {})
    assert f"the planner runs {name}" in refused.value.sentence()
    assert "\n" not in refused.value.sentence()


@pytest.mark.server
@pytest.mark.parametrize(("query", "name"), INLINED.values(), ids=INLINED.keys())
def test_one_that_the_planner_inlines(
    source: psycopg.Connection[Any], there: StandIn, facts: StandInFacts, query: str, name: str
) -> None:
    """The stand-in's plan is another, and the function is named."""
    assert plan_differences(*both(source, there.planner, query, {}))
    assert name in looked_into(query, facts)


@pytest.mark.server
def test_what_hangs_on_no_function_stays_comparable(
    source: psycopg.Connection[Any], there: StandIn, facts: StandInFacts
) -> None:
    """Beside all those functions; a policy's counts for whoever reads its table."""
    query = "select * from tours where level = 3"
    assert plan_differences(*both(source, there.planner, query, {})) == ()
    assert looked_into(query, facts) == ()
    assert "within" in looked_into("select * from walks", facts)


@pytest.mark.server
def test_an_audit_says_so(source: psycopg.Connection[Any], facts: StandInFacts) -> None:
    """In the capture's notes, and of a query of the list that no capture is the plan of."""
    query = INLINED["a function of SQL in a condition"][0]
    captures = []
    for number, text in enumerate((query, "select * from tours where level = 3")):
        row = source.execute(f"explain (analyze, format json) {text}".encode()).fetchone()
        assert row is not None
        captures.append(Capture(name=f"q{number}", query=text, explain=parse_document(row[0][0])))
    with asked_stand_in(captures, facts, threshold=10) as asked:
        first, second = asked.captures
        assert any("not comparable: the planner looks into inlined" in note for note in first.notes)
        assert AGREES in second.notes


@pytest.mark.server
def test_a_query_without_a_captured_plan_is_left_out(there: StandIn, facts: StandInFacts) -> None:
    """What a change does to it is not foretold, and the reason is told; one without functions is planned."""
    others = {"with": INLINED["a view's"][0], "without": "select * from tours where level = 3"}
    queries = listed_queries([], others, facts)
    with_one, without = (before_any_change(there.planner, facts, query, None)[0] for query in queries)
    assert with_one.plan is None
    assert with_one.reason is not None
    assert "looks into behind" in with_one.reason
    assert without.plan is not None
