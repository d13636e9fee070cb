"""How far a fact may move before a stand-in's answer turns: PostgreSQL decides, with data and the fact written anew."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import psycopg
import pytest

from rowreckon.capture import Capture
from rowreckon.document.audit import FactLimit, Remedy
from rowreckon.joins.facts.own_workers import reckoned_of
from rowreckon.plan.printed import printed_nodes
from rowreckon.plan.same import as_run
from rowreckon.server.connecting.connection import connected
from rowreckon.server.stand_in.asking import asked_stand_in
from rowreckon.server.stand_in.changes.foretelling import ListedQuery, foretell
from rowreckon.server.stand_in.forging import Allowance, Exhausted, forgery
from rowreckon.server.stand_in.moving import with_moved_facts
from rowreckon.server.stand_in.standing import StandIn, stand_in
from rowreckon.stand_in.facts import StandInFacts
from rowreckon.stand_in.movable import Range, stays_within
from tests.report import factories as f
from tests.servers.databases import fresh_database

from .test_right_counts import CORRELATED, SCHEMA, executed
from .test_same_plans import build, facts_of

AGAIN = {
    "rows": "update pg_class set reltuples = %s where oid = %s::regclass",
    "distinct": "update pg_statistic set stadistinct = %s where starelid = %s::regclass and staattnum = (select attnum"
    " from pg_attribute where attrelid = starelid and attname = %s)",
}


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
    return facts_of(source, [CORRELATED])


@pytest.fixture(scope="module")
def there(facts: StandInFacts) -> Iterator[StandIn]:
    """A stand-in for the database."""
    with stand_in(facts) as found:
        yield found


def moved(source: psycopg.Connection[Any], facts: StandInFacts, there: StandIn, allowed: Allowance) -> Capture:
    """The capture of the query, asked about its two joins."""
    _, capture = executed(source, CORRELATED)
    reckoned = reckoned_of(capture)
    joins = reckoned.tree.joins()
    return with_moved_facts(capture, joins, reckoned, facts, there, there.planner, {}, allowed)


def method_with(source: psycopg.Connection[Any], limit: FactLimit, value: float, number: int) -> str:
    """By which method the server joins (the plan's n-th join) with the fact written into its own catalog."""
    distinct = re.fullmatch(r"distinct values of (\w+)\.(\w+)", limit.fact)
    rows = re.fullmatch(r"rows of (\w+)", limit.fact)
    with source.transaction(force_rollback=True):
        if distinct:
            source.execute(AGAIN["distinct"].encode(), (value, distinct[1], distinct[2]))
        else:
            assert rows is not None
            source.execute(AGAIN["rows"].encode(), (value, rows[1]))
        row = source.execute(f"explain (format json) {CORRELATED}".encode()).fetchone()
    assert row is not None
    joins = [n["Node Type"] for n in printed_nodes(row[0][0]["Plan"]) if "Join Type" in n]
    return joins[number] if number < len(joins) else ""


@pytest.mark.server
def test_the_server_turns_where_it_was_said_to(
    source: psycopg.Connection[Any], facts: StandInFacts, there: StandIn
) -> None:
    """At the last number that stays the server joins as it did, a tenth beyond it does not; nothing stays moved."""
    plan, _ = executed(source, CORRELATED)
    before = there.planner.plan(CORRELATED, {})
    now = [n["Node Type"] for n in printed_nodes(plan) if "Join Type" in n]
    compared = 0
    for number, about in enumerate(moved(source, facts, there, Allowance()).moved_facts):
        for limit in about.turns_at:
            if "with the query's" in limit.fact:
                continue
            for end, factor in ((limit.from_, 1 / 1.1), (limit.to, 1.1)):
                if end is None or limit.fact == "rows of huts":  # moves the join above by another order of joins
                    continue
                compared += 1
                beyond = min(end * factor, end - 1) if factor < 1 else max(end * factor, end + 1)
                assert method_with(source, limit, end, number) == now[number], limit
                assert method_with(source, limit, beyond, number) != now[number], limit

    assert compared >= 4
    assert there.planner.plan(CORRELATED, {}) == before


@pytest.mark.server
def test_a_list_has_a_limit_of_its_own(source: psycopg.Connection[Any], facts: StandInFacts, there: StandIn) -> None:
    """What one plan takes is taken off; the next is refused before a connection is made, which a note then says."""
    allowed = Allowance(1.0)
    with forgery(there.statistics_dsn, facts, {}, None, allowed) as forged:
        assert forged.rows("select 1 from guests") == 20_000
    assert allowed.left < 1.0
    allowed.left = 0.0
    with pytest.raises(Exhausted, match="in all"), forgery("host=/nowhere", facts, {}, None, allowed):
        pass
    late = moved(source, facts, there, allowed)
    assert (late.moved_facts, "its list may take" in late.notes[-1]) == ((), True)


@pytest.mark.full
@pytest.mark.server
def test_an_audit_asks_by_itself(source: psycopg.Connection[Any], facts: StandInFacts) -> None:
    """For the misestimated joins, and for the plan with right counts; the soonest comes first."""
    _, capture = executed(source, CORRELATED)
    with asked_stand_in([capture], facts, threshold=10) as asked:
        found = asked.captures[0]

    assert found.right_counts is not None
    every = [*found.moved_facts, found.right_counts.moved_facts]
    assert len(every) >= 2
    for about in every:
        assert about is not None
        assert about.asked > 10
        open_ends = [(limit.from_, limit.to) == (None, None) for limit in about.turns_at]
        assert open_ends == sorted(open_ends)
        assert not all(open_ends)


@pytest.mark.server
def test_a_plan_foretold_says_how_long_it_stays(
    source: psycopg.Connection[Any], facts: StandInFacts, there: StandIn
) -> None:
    """An index by hut: with more different huts the server with data searches it another way, from there on."""
    query = "select * from stays where nights = 3 and hut_id = 7"
    remedy = Remedy(
        rank=1, kind="new_index", sql=("create index stays_hut_night on stays (hut_id, nights)",), transactional=True,
        confidence=1, reason="",
    )  # fmt: skip
    audit = f.crossed_audit().model_copy(update={"remedies": (remedy,), "plans": ()})
    told = foretell(audit, there, facts, [ListedQuery("rare", query, {})]).remedies[0].foretold

    assert told is not None
    assert (told.changed, [about.query for about in told.moved_facts]) == (1, ["rare"])
    limit = next(x for x in told.moved_facts[0].turns_at if x.fact == "distinct values of stays.hut_id")
    assert limit.to is not None
    seen = [as_run(with_index(source, query, distinct)) for distinct in (300, limit.to, limit.to * 1.1)]
    assert seen[0] == seen[1] != seen[2]
    assert there.planner.plan(query, {})["Plan"]["Node Type"] == "Seq Scan"


def with_index(source: psycopg.Connection[Any], query: str, distinct: float) -> dict[str, Any]:
    """The server's plan with the index, and so many different huts in its catalog."""
    with source.transaction(force_rollback=True):
        source.execute("create index stays_hut_night on stays (hut_id, nights)")
        source.execute(AGAIN["distinct"].encode(), (distinct, "stays", "hut_id"))
        row = source.execute(f"explain (format json) {query}".encode()).fetchone()
    assert row is not None
    found: dict[str, Any] = row[0][0]["Plan"]
    return found


def test_a_border_is_the_last_number_that_was_seen_to_stay() -> None:
    """Within a twentieth; open where it stays a hundredfold away; never outside of what the fact can be."""
    asked: list[float] = []

    def stays(value: float) -> bool:
        asked.append(value)
        return 700 <= value <= 4_000

    low, high = stays_within(Range(1_000, 1, 1e12), stays)
    assert low is not None
    assert high is not None
    assert 700 <= low <= 700 * 1.05
    assert 4_000 / 1.05 <= high <= 4_000
    assert len(asked) < 25
    assert stays_within(Range(1_000, 900, 1_100), lambda value: 900 <= value <= 1_100) == (None, None)
    assert stays_within(Range(3, 1, 10), lambda value: value == 3) == (3, 3)
