"""What hash joins tell of the columns that they compare, held to a live server's catalog and statistics."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest

from rowreckon import auditing
from rowreckon.capture import Capture
from rowreckon.document.audit import Join
from rowreckon.joins.facts.sides import METHODS
from rowreckon.joins.learning.fellows import Fellows
from rowreckon.learned.facts import ColumnName, LearnedFacts, RelationName
from tests.joins.live import SERIAL, Connection, apply, capture, explain, filled

TABLES = """
create table huts (id int, name text);
insert into huts select g, repeat('h', 6) from generate_series(1, 1000) g;
create unique index huts_id on huts (id);
create table trips (id int, hut int, week int, season int);
insert into trips select g, (g * 7919) % 900 + 1, g % 199, g % 199 from generate_series(1, 20000) g;
create table guests (id int, hut int, week int, pad text);
insert into guests select g, (g * 104729) % 900 + 1, g % 199, repeat('g', 60) from generate_series(1, 12000) g;
create table stamps (id int, hut int, week int);
insert into stamps select g, g % 10, g % 199 from generate_series(1, 12000) g;
create index stamps_hut on stamps (hut);
create table beds (id int, hut int, week int);
insert into beds select g, g % 900, g % 199 from generate_series(1, 12000) g;
create index beds_week_hut on beds (week, hut);
create index beds_late on beds (hut) where week > 150;
"""
BY_HUT = {"huts": "id", "trips": "hut", "guests": "hut", "stamps": "hut", "beds": "hut"}
QUERY = "select t.id, g.pad from trips t join guests g on g.hut = t.hut where {0}"
WRONG, RIGHT = "t.week < 61 and t.season >= 60", "t.week = 60 and t.season >= -1"
TELLING = (
    "select t.id, g.pad from trips t join guests g on g.hut = t.hut",
    "select t.id, g.pad from trips t join guests g on g.hut = t.hut where t.id = 5",
    "select hut from trips group by hut",
)


@pytest.fixture(scope="module")
def tables(database: str) -> Iterator[Connection]:
    with filled(database, TABLES) as connection:
        yield connection


@pytest.fixture(scope="module", params=[1, 2])
def learned(tables: Connection, request: pytest.FixtureRequest) -> LearnedFacts:
    """What plans of joins that are drawn by lot tell of all tables."""
    return _learned(tables, int(request.param))


def _planned(connection: Connection, name: str, query: str, **settings: str) -> Capture:
    found = capture(connection, query, settings=SERIAL | settings, catalog=False, analyze=False)
    return found.model_copy(update={"name": name})


def _learned(connection: Connection, seed: int) -> LearnedFacts:
    draw = random.Random(seed)
    whole = " union all ".join(f"select id from {name}" for name in BY_HUT)
    plans = [_planned(connection, "all", whole)]
    plans += [_planned(connection, name, f"select * from {name}") for name in BY_HUT]
    plans += [_planned(connection, f"telling {n}", query) for n, query in enumerate(TELLING)]
    for number in range(30):
        one, other = draw.sample(sorted(BY_HUT), 2)
        wanted = draw.choice(["true", f"a.id <= {draw.choice([1, 20, 300])}", f"b.week > {draw.choice([100, 160])}"])
        if "week" in wanted and other == "huts":
            wanted = "b.id > 10"
        query = f"select * from {one} a join {other} b on a.{BY_HUT[one]} = b.{BY_HUT[other]} where {wanted}"
        cost = draw.choice(["1.1", "4"])
        plans.append(_planned(connection, f"plan {number}", query, random_page_cost=cost, work_mem="64MB"))
    return Fellows(plans, one_database=True).facts_for(plans[0])


def test_no_index_is_denied_that_is_there(tables: Connection, learned: LearnedFacts) -> None:
    """pg_index says which columns lead an index of a whole table; one with a predicate serves only who asks for it."""
    rows = tables.execute(
        "select c.relname, a.attname, i.indpred is null from pg_index i join pg_class c on c.oid = i.indrelid"
        " join pg_attribute a on a.attrelid = c.oid and a.attnum = i.indkey[0] "
        " where c.relnamespace = 'public'::regnamespace"
    ).fetchall()
    whole = {(table, column) for table, column, is_whole in rows if is_whole}
    partial = {(table, column) for table, column, is_whole in rows if not is_whole}
    unled = learned.unled
    denied = {(column.relation.name, column.column) for column in unled}

    assert ("guests", "hut") in denied
    assert denied.isdisjoint(whole)
    for column, facts in unled.items():
        if (column.relation.name, column.column) in partial:
            assert all(fact.conditions == frozenset() for fact in facts)


def test_values_are_at_least_those_that_a_bucket_leaves(tables: Connection, learned: LearnedFacts) -> None:
    """pg_stats says how many the planner reckoned with."""
    rows = tables.execute(
        "select tablename, attname, case when n_distinct < 0 then -n_distinct * c.reltuples else n_distinct end"
        " from pg_stats s join pg_class c on c.relname = s.tablename where s.schemaname = 'public'"
    ).fetchall()
    known = {(table, column): float(values) for table, column, values in rows}
    found = {(c.relation.name, c.column): fact.values for c, fact in learned.distinct.items()}

    assert ("guests", "hut") in found
    for column, values in found.items():
        assert values.low <= known[column] * 1.001 <= values.high * 1.002, column
    assert found["guests", "hut"].low == pytest.approx(known["guests", "hut"], rel=0.05)


def test_what_other_joins_prove_decides(tables: Connection) -> None:
    """A hash join is held where others rule the index out that a loop would need, as the server holds it."""
    plan = capture(tables, QUERY.format(WRONG), catalog=False).model_copy(update={"name": "own"})
    telling = [_planned(tables, f"telling {n}", query) for n, query in enumerate(TELLING)]
    alone, together = _join(plan), _join(plan, *telling)

    assert "whether there is an index" in alone.why
    assert together.verdict == "held", together.why
    assert _join(plan, *telling[:2]).verdict == "undecided"  # a Memoize may spare searches for keys that come again
    assert "telling 1" in together.learned_from
    (limit,) = [limit for limit in together.turns_at if limit.fact == "distinct values of public.trips.hut"]
    assert limit.value == 900.0
    assert limit.from_ is not None
    with tables.transaction(force_rollback=True):
        apply(tables, SERIAL)
        assert METHODS[explain(tables, QUERY.format(RIGHT)).plan.node_type] == together.method


def test_a_loop_that_goes_through_an_index_led_by_another_column_tells(tables: Connection) -> None:
    """pg_index says that `week` leads the index of which the planner reads all entries for one value of `hut`."""
    tables.execute("create table crews (id int, hut int, week int, pad text)")
    tables.execute("insert into crews select g, g % 900, g % 199, repeat('c', 400) from generate_series(1, 3000) g")
    tables.execute("create index crews_week_hut on crews (week, hut)")
    tables.execute("vacuum analyze crews")
    plans = [_planned(tables, name, f"select * from {name}") for name in ("crews", "huts")]
    query = "select h.id, c.hut from huts h join crews c on c.hut = h.id where h.name < 'a'"
    plans.append(_planned(tables, "loop", query, max_parallel_workers_per_gather="0"))
    learned = Fellows(plans, one_database=True).facts_for(plans[0])
    explained = plans[-1].explain
    tables.execute("drop table crews")

    assert explained is not None
    assert explained.plan.node_type == "Nested Loop"
    (fact,) = learned.unled[ColumnName(RelationName("public", "crews"), "hut")]
    assert (fact.source.plan, fact.source.what) == ("loop", "choice of a nested loop")


def test_an_index_for_what_a_query_asks_is_not_denied(tables: Connection) -> None:
    """A plan that asks more of the table than the plan that tells may use an index with a predicate."""
    asking = capture(tables, QUERY.format(f"{WRONG} and g.week > 10"), catalog=False).model_copy(update={"name": "own"})
    telling = [_planned(tables, f"telling {n}", query) for n, query in enumerate(TELLING)]
    assert "whether there is an index" in _join(asking, *telling).why


def _join(*captures: Capture) -> Join:
    """The first plan's join, with the others of its database."""
    return auditing.audit(captures, one_database=True).plans[0].joins[0]
