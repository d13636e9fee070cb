"""Right counts: the part of a query that is asked about, what a stand-in foretells, and that nothing stays forged.

PostgreSQL decides: its EXPLAIN of a whole query says what it expects of a part, and its plan after a cure what it does
once it knows.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import psycopg
import pytest

from rowreckon import releases
from rowreckon.capture import Capture
from rowreckon.captures.capture_file import capture_from_document, capture_to_document
from rowreckon.captures.masking import mask_capture
from rowreckon.document.plan import RightCounts
from rowreckon.errors import BrokenPlan, RowreckonError
from rowreckon.joins.facts.own_workers import reckoned_of
from rowreckon.plan.document import parse_document
from rowreckon.plan.printed import printed_nodes
from rowreckon.server.connecting.connection import connected
from rowreckon.server.stand_in.forging import forgery
from rowreckon.server.stand_in.right_counts.asking import ask_right_counts
from rowreckon.server.stand_in.right_counts.fitting import query_of
from rowreckon.server.stand_in.right_counts.knobs import expression_knob
from rowreckon.server.stand_in.standing import StandIn, stand_in
from rowreckon.stand_in.facts import StandInFacts
from rowreckon.stand_in.right_counts.conditions import conjuncts
from rowreckon.stand_in.right_counts.executed import counted, relations_below
from rowreckon.stand_in.right_counts.executed_price import assembled_price
from rowreckon.stand_in.right_counts.part_queries import part_query
from rowreckon.stand_in.right_counts.price import factor_of, worst_price
from rowreckon.stand_in.settings import planning_settings
from tests.servers.databases import fresh_database
from tests.servers.fixtures import Servers

from .right_counts import shape
from .test_same_plans import build, facts_of, folder_of

SCHEMA = """
create table guests (id int primary key, land text not null, region text not null, born date);
insert into guests select i, 'land ' || i % 20, 'region ' || i % 20, date '1950-01-01' + i % 9000
  from generate_series(1, 20000) i;
create table huts (id int primary key, name text not null, height int not null);
insert into huts select i, 'hut ' || i, i * 7 % 3000 from generate_series(1, 300) i;
create table stays (id int primary key, guest_id int not null references guests, hut_id int not null references huts,
  nights int);
insert into stays select i, 1 + (i::bigint * 7919) % 20000, 1 + i % 300, i % 9 from generate_series(1, 60000) i;
create index stays_guest on stays (guest_id);
create index guests_land on guests (land);
vacuum analyze
"""

CORRELATED = (
    "select h.name, count(*) from guests g join stays s on s.guest_id = g.id join huts h on h.id = s.hut_id"
    " where g.land = 'land 3' and g.region = 'region 3' group by h.name"
)
CURE = ("create statistics own_lands (dependencies, mcv) on land, region from guests", "analyze guests")

QUERIES = (
    CORRELATED,
    "select * from guests g join stays s on s.guest_id = g.id left join huts h on h.id = s.hut_id and h.height > 2000"
    " where g.born < '1960-01-01' and nights = 3",
    "select 1 from stays s join stays t on t.guest_id = s.guest_id join guests g on g.id = t.guest_id"
    " where s.nights = 2 and g.land in ('land 1', 'land 2')",
    "select 1 from guests g join stays s on s.guest_id = g.id where s.hut_id = 7 and exists (select 1 from huts h"
    " where h.id = s.hut_id and h.height > 20) and g.land <> 'land 5'",
    "select g.land, n.times from (select guest_id, count(*) as times from stays where nights > 3 group by guest_id) n"
    " join guests g on g.id = n.guest_id where g.region like 'region 1%'",
    "with few as (select * from huts where height < 500) select 1 from few f join stays s on s.hut_id = f.id"
    " join guests g on g.id = s.guest_id where s.id between 500 and 900",
)


@pytest.fixture(scope="module")
def source(server: str) -> Iterator[psycopg.Connection[Any]]:
    """A session in a database of guests, huts and stays."""
    with fresh_database(server) as dsn:
        with psycopg.connect(dsn, autocommit=True) as loading:
            build(loading, SCHEMA)
        with connected(dsn) as connection:
            yield connection


@pytest.fixture(scope="module")
def facts(source: psycopg.Connection[Any]) -> StandInFacts:
    """What a stand-in for the database is built from."""
    return facts_of(source, QUERIES)


@pytest.fixture(scope="module")
def there(facts: StandInFacts) -> Iterator[StandIn]:
    """A stand-in for the database."""
    with stand_in(facts) as found:
        yield found


def executed(
    source: psycopg.Connection[Any], query: str, options: str = "analyze, settings"
) -> tuple[dict[str, Any], Capture]:
    """The plan as EXPLAIN ANALYZE printed it, and as a capture."""
    row = source.execute(f"explain ({options}, format json) {query}".encode()).fetchone()
    assert row is not None
    document = row[0][0]
    explain = parse_document(document)
    return document["Plan"], Capture(name="a query", query=query, settings=document.get("Settings"), explain=explain)


def ask(
    source: psycopg.Connection[Any],
    facts: StandInFacts,
    there: StandIn,
    query: str,
    options: str = "analyze, settings",
) -> tuple[RightCounts, tuple[str, ...]]:
    """What the stand-in foretells of a query."""
    plan, capture = executed(source, query, options)
    settings = planning_settings({}, capture.settings)
    told = ask_right_counts(query, plan, reckoned_of(capture), facts, settings, there.statistics_dsn)
    return told.right_counts, told.notes


@pytest.mark.server
@pytest.mark.parametrize("query", QUERIES)
def test_a_part_is_expected_as_within_the_whole(
    source: psycopg.Connection[Any], facts: StandInFacts, query: str
) -> None:
    """For each scan, join and group of a plan: EXPLAIN of the part's query expects what EXPLAIN of the whole prints."""
    _, capture = executed(source, query)
    reckoned = reckoned_of(capture)
    whole = query_of(query, facts, relations_below(reckoned.tree, frozenset())[0])
    compared = 0
    for count in counted(reckoned, whole.known):
        part = whole.part(count)
        if part is None:
            continue
        row = source.execute(f"explain (format json) {part_query(whole.tree, part)}".encode()).fetchone()
        assert row is not None
        assert row[0][0]["Plan"]["Plan Rows"] == reckoned.tree.nodes[count.node].plan_rows, count
        compared += 1
    assert compared >= 2


@pytest.mark.server
def test_the_plan_foretold_is_the_plan_after_the_cure(
    source: psycopg.Connection[Any], facts: StandInFacts, there: StandIn
) -> None:
    """Two columns that go together: statistics of both give the server the plan that right counts foretold."""
    plan, _ = executed(source, CORRELATED)
    found, notes = ask(source, facts, there, CORRELATED)
    assert notes == ()
    with source.transaction(force_rollback=True):
        for statement in CURE:
            source.execute(statement.encode())
        row = source.execute(f"explain (format json) {CORRELATED}".encode()).fetchone()

    assert row is not None
    assert found.plan is not None
    assert shape(found.plan) == shape(row[0][0]["Plan"])
    assert shape(found.plan) != shape(plan)
    assert found.not_reached == ()
    assert found.cost_ratio is not None
    assert found.cost_ratio > 1


PARTED = """
create table nights (guest_id int not null, day int not null) partition by range (day);
create table nights_early partition of nights for values from (0) to (500);
create table nights_late partition of nights for values from (500) to (1000);
insert into nights select 1 + (i::bigint * 7919) % 20000, i % 1000 from generate_series(1, 60000) i;
create index nights_guest on nights (guest_id);
vacuum analyze
"""
OF_PARTITIONS = (
    "select count(*) from guests g join nights n on n.guest_id = g.id where g.land = 'land 3' and g.region = 'region 3'"
)


@pytest.mark.server
def test_a_join_of_partitions_is_made_right(server: str) -> None:
    """The inner side searches each partition by its own name (n_1, n_2, so VERBOSE), where the query has one (n).

    The columns which that join holds equal are those of the whole table, and EXPLAIN then expects its rows.
    """
    with fresh_database(server) as dsn:
        with psycopg.connect(dsn, autocommit=True) as loading:
            build(loading, f"{SCHEMA};{PARTED}")
        with connected(dsn) as source:
            options = "analyze, verbose, settings"
            _, capture = executed(source, OF_PARTITIONS, options)
            facts = facts_of(source, (OF_PARTITIONS,))
            with stand_in(facts) as there:
                found, notes = ask(source, facts, there, OF_PARTITIONS, options)

    reckoned = reckoned_of(capture)
    join = next(count for count in counted(reckoned, frozenset({"g", "n"})) if count.kind == "join")
    assert {getattr(node, "alias", None) for node in reckoned.tree.nodes} >= {"n_1", "n_2"}
    assert [{(c.alias, c.name) for c in pair} for pair in join.pairs] == [{("g", "id"), ("n", "guest_id")}]
    assert (found.not_reached, notes) == ((), ())


EXPRESSION = CORRELATED.replace("g.land = 'land 3' and g.region = 'region 3'", "lower(g.region) like 'region 1%'")


@pytest.mark.full
@pytest.mark.server
@pytest.mark.parametrize("major", releases.MODELLED)
def test_every_release_foretells_its_own_plan(servers: Servers, major: int) -> None:
    """Two columns that go together, and an expression without statistics, which 13 can't give any."""
    with fresh_database(servers(major).dsn) as dsn, psycopg.connect(dsn, autocommit=True) as loading:
        build(loading, SCHEMA)
        with connected(dsn) as source:
            facts = facts_of(source, QUERIES)
            with stand_in(facts, folder_of(major)) as there:
                found, _ = ask(source, facts, there, CORRELATED)
                other, _ = ask(source, facts, there, EXPRESSION)
        build(loading, ";\n".join(CURE))
        row = loading.execute(f"explain (format json) {CORRELATED}".encode()).fetchone()

    assert row is not None
    assert found.plan is not None
    assert found.not_reached == ()
    assert shape(found.plan) == shape(row[0][0]["Plan"])
    assert bool(other.not_reached) == (major == 13)


@pytest.mark.server
def test_the_part_of_an_index_is_made_right_by_itself(
    source: psycopg.Connection[Any], facts: StandInFacts, there: StandIn
) -> None:
    """An index gives a land's thousand guests, as the planner expects; the filter on the region takes none away.

    The filter is what has to change, not the index: its estimate stays what the server counted.
    """
    plan, _ = executed(source, CORRELATED)
    found, _ = ask(source, facts, there, CORRELATED)

    assert found.plan is not None
    searched = [node for node in printed_nodes(plan) if node.get("Index Name") == "guests_land"]
    expected = [node for node in printed_nodes(found.plan) if node.get("Index Name") == "guests_land"]
    assert [node["Actual Rows"] for node in searched] == [node["Plan Rows"] for node in expected] == [1000]


@pytest.mark.server
@pytest.mark.parametrize("joins", [60, 1_500])
def test_a_query_of_too_many_joins_is_refused(
    source: psycopg.Connection[Any], facts: StandInFacts, there: StandIn, joins: int
) -> None:
    """In one sentence, before anything is planned."""
    plan, capture = executed(source, CORRELATED)
    query = "select 1 from huts h " + " ".join(f"cross join huts h{n}" for n in range(joins))
    with pytest.raises(RowreckonError, match=r"more than 40 relations|too deep"):
        ask_right_counts(query, plan, reckoned_of(capture), facts, {}, there.statistics_dsn)


@pytest.mark.server
def test_nothing_stays_forged(source: psycopg.Connection[Any], facts: StandInFacts, there: StandIn) -> None:
    """Every query is planned afterwards as it was before, also where the asking was broken off by an error."""
    before = [there.planner.plan(query, {}) for query in QUERIES]
    for query in QUERIES[:2]:
        ask(source, facts, there, query)
    plan, capture = executed(source, CORRELATED)
    wrong = CORRELATED.replace("huts h", "no_such_table h")
    with pytest.raises(RowreckonError, match="no_such_table"):
        ask_right_counts(wrong, plan, reckoned_of(capture), facts, {}, there.statistics_dsn)

    assert [there.planner.plan(query, {}) for query in QUERIES] == before


@pytest.mark.server
@pytest.mark.parametrize(
    ("query", "reason"),
    [
        ("select 1 from stays s join (select 1 from guests s) x on true", "one name for two relations"),
        ("insert into huts select * from huts h", "is no SELECT"),
        ("select 1 from stays; drop table stays", "not planned on a stand-in"),
    ],
)
def test_what_can_not_be_asked_is_said(
    source: psycopg.Connection[Any], facts: StandInFacts, there: StandIn, query: str, reason: str
) -> None:
    """Each in one sentence; nothing is executed for it."""
    plan, capture = executed(source, CORRELATED)
    with pytest.raises(RowreckonError, match=reason):
        ask_right_counts(query, plan, reckoned_of(capture), facts, {}, there.statistics_dsn)


def join(method: str, cost: float, outer: dict[str, Any], inner: dict[str, Any]) -> dict[str, Any]:
    return {"Node Type": method, "Total Cost": cost, "Plans": [outer, inner]}


def scan(alias: str, cost: float) -> dict[str, Any]:
    return {"Node Type": "Seq Scan", "Alias": alias, "Total Cost": cost, "Plans": []}


ALIASES = frozenset({"a", "b", "c"})


def test_an_unmeasured_join_makes_a_plan_dearer() -> None:
    """Its own cost and that of the join above it count ten times; nothing does where all joins were measured."""
    plan = join("Hash Join", 100.0, join("Hash Join", 40.0, scan("a", 10.0), scan("b", 10.0)), scan("c", 10.0))
    both = frozenset({frozenset({"a", "b"}), ALIASES})

    assert worst_price(plan, both, ALIASES, 10.0) == 100.0
    # own costs: 40 - 20 and 100 - 50
    assert worst_price(plan, both - {frozenset({"a", "b"})}, ALIASES, 10.0) == 100.0 + 9 * 20 + 9 * 50
    assert factor_of([3.0, 250.0]) == 250.0
    assert factor_of([]) == 10.0


def test_a_price_is_put_together_from_the_plans_that_have_its_joins() -> None:
    """A loop over a hash join, where one plan only hashes and another only loops; None where a join is in no plan."""
    low = join("Hash Join", 40.0, scan("a", 10.0), scan("b", 10.0))
    wanted = join("Nested Loop", 0.0, join("Hash Join", 0.0, scan("a", 0.0), scan("b", 0.0)), scan("c", 0.0))
    hashed = join("Hash Join", 100.0, low, scan("c", 10.0))
    looped = join("Nested Loop", 500.0, join("Nested Loop", 90.0, scan("a", 10.0), scan("b", 10.0)), scan("c", 1.0))

    assert assembled_price(wanted, [hashed, looped], ALIASES) == 40.0 + (500.0 - 90.0)
    assert assembled_price(wanted, [hashed], ALIASES) is None


def test_a_capture_keeps_and_masks_right_counts() -> None:
    """They come back from a file as they were; masked, no literal of the plan is left; a broken plan is refused."""
    plan = {"Node Type": "Seq Scan", "Relation Name": "guests", "Filter": "(land = 'land 3'::text)", "Plan Rows": 7,
            "Startup Cost": 0.0, "Total Cost": 8.5, "Plan Width": 4}  # fmt: skip
    found = RightCounts(methods_changed=True, reached=(1,), not_reached=(2,), why_not_reached=("it's 'x'",), plan=plan)
    capture = Capture(name="a query", right_counts=found)
    document = json.loads(json.dumps(capture_to_document(capture)))

    assert capture_from_document(document).right_counts == found
    masked = mask_capture(capture).right_counts
    assert masked is not None
    assert "land 3" not in masked.model_dump_json()
    assert "'x'" not in masked.model_dump_json()
    assert '"Plan Rows":7' in masked.model_dump_json()
    deep = plan
    for _ in range(300):
        deep = {**plan, "Plans": [deep]}
    with pytest.raises(BrokenPlan, match="more than 100 levels"):
        capture_from_document({**document, "right_counts": {**document["right_counts"], "plan": deep}})
    del document["right_counts"]["plan"]["Node Type"]
    with pytest.raises(BrokenPlan):
        capture_from_document(document)


@pytest.mark.server
def test_a_plan_of_too_many_levels_is_refused(there: StandIn) -> None:
    """In one sentence: each LIMIT is a node of its own, and what reads an answer goes down level by level."""
    query = "select * from huts"
    for number in range(250):
        query = f"select * from ({query} limit {250 - number}) s{number}"
    with pytest.raises(RowreckonError, match="more than 200 levels"):
        there.planner.plan(query, {})


@pytest.mark.server
def test_each_expression_of_a_scan_has_its_own_statistics(
    source: psycopg.Connection[Any], facts: StandInFacts, there: StandIn
) -> None:
    """Two conditions on expressions: the stand-in's server has a statistics object for both, each with its own name."""
    query = "select 1 from stays s where s.id % 7 = 1 and s.hut_id % 11 = 2"
    level = query_of(query, facts, frozenset({"s"})).levels[0]
    with forgery(there.statistics_dsn, facts, {}) as forged:
        relation = forged.relation((None, "stays"))
        assert relation is not None
        for condition in conjuncts(level.select.where_clause):
            assert expression_knob(forged, relation, condition.a_expr.lexpr, condition, frozenset()) is not None
        made = forged.connection.execute("select count(*) from pg_catalog.pg_statistic_ext").fetchone()
        assert made == (2,)
