"""When a prepared statement turns generic: the server with the data turns at the execution that was foretold.

PostgreSQL counts custom and generic plans in pg_prepared_statements, from 14 on.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import psycopg
import pytest

from rowreckon.document.audit import GenericPlan
from rowreckon.server.connecting.connection import connected
from rowreckon.server.stand_in.generic import Executions, generic_plan
from rowreckon.server.stand_in.planning import Planner
from rowreckon.server.stand_in.standing import stand_in
from rowreckon.stand_in.facts import StandInFacts
from rowreckon.stand_in.settings import planning_settings
from tests.servers.databases import fresh_database

from .test_same_plans import build, facts_of
from .test_values import SCRIPT

BY_TIER = "select count(*) from tours t join walkers w on w.tour = t.id where t.tier = $1"
SINCE = "select * from tours t join walkers w on w.tour = t.id where t.held >= $1 and t.tier <> 'bronze'"
ONE = "select * from walkers where id = $1"
DAYS = ("2025-11-01", "2024-01-05", "2025-11-29", "2025-11-29", "2025-11-30", "2025-11-28", "2024-03-01", "2024-02-01")
SERIAL = {"max_parallel_workers_per_gather": "0"}
CASES: tuple[tuple[str, Executions], ...] = (
    (BY_TIER, [(tier,) for tier in ("silver",) * 8]),
    (BY_TIER, [(tier,) for tier in ("platinum",) * 5 + ("silver",) * 20]),
    (BY_TIER, [(tier,) for tier in ("bronze",) * 9]),
    (SINCE, [(day,) for day in DAYS]),
    (SINCE, [("2025-11-30",)] * 5 + [("2024-01-01",)] * 6),
    (ONE, [(str(number),) for number in range(1, 9)]),
    (ONE, [(None,)] * 7),
)


@pytest.fixture(scope="module")
def both(server: str) -> Iterator[tuple[psycopg.Connection[Any], StandInFacts, Planner]]:
    """The server with the data, and a stand-in for it."""
    with fresh_database(server) as dsn, connected(dsn) as source:
        build(source, SCRIPT)
        facts = facts_of(source, [BY_TIER, SINCE, ONE])
        with stand_in(facts) as there:
            yield source, facts, there.planner


def turns_at(source: psycopg.Connection[Any], query: str, values: Executions) -> int | None:
    """The execution, from 1, that first takes the generic plan: EXECUTE on the server with the data."""
    found = None
    with source.transaction(force_rollback=True):
        source.execute("set local max_parallel_workers_per_gather = 0")
        source.execute(f"prepare going as {query}".encode())
        for number, each in enumerate(values, 1):
            arguments = psycopg.sql.SQL(", ").join(map(psycopg.sql.Literal, each))
            source.execute(psycopg.sql.SQL("execute going({})").format(arguments))
            row = source.execute("select generic_plans from pg_prepared_statements where name = 'going'").fetchone()
            assert row is not None
            found = found or (number if row[0] else None)
        source.execute("deallocate going")
    return found


def foretold(
    both: tuple[psycopg.Connection[Any], StandInFacts, Planner], query: str, values: Sequence[tuple[str | None, ...]]
) -> GenericPlan:
    """What the stand-in says."""
    _, facts, planner = both
    found, notes = generic_plan(query, facts, planner, planning_settings({}, SERIAL), values)
    assert notes == ()
    assert found is not None
    return found


@pytest.mark.server
def test_the_turn_is_foretold(both: tuple[psycopg.Connection[Any], StandInFacts, Planner]) -> None:
    """Of sequences that turn at the sixth execution, later, and never."""
    told = [foretold(both, query, values).turns_at for query, values in CASES]

    assert told == [turns_at(both[0], query, values) for query, values in CASES]
    assert None in told
    assert 6 in told
    assert any(each is not None and each > 6 for each in told)


@pytest.mark.server
def test_costs_are_those_of_the_server(both: tuple[psycopg.Connection[Any], StandInFacts, Planner]) -> None:
    """EXPLAIN of the generic plan, and of the custom ones, on the server with the data."""
    found = foretold(both, BY_TIER, [("silver",), ("platinum",)])
    costs = []
    with both[0].transaction(force_rollback=True):
        both[0].execute("set local max_parallel_workers_per_gather = 0")
        for text in ("'silver'", "'platinum'"):
            row = both[0].execute(f"explain (format json) {BY_TIER.replace('$1', text)}".encode()).fetchone()
            assert row is not None
            costs.append(row[0][0]["Plan"]["Total Cost"])
        row = both[0].execute(f"explain (generic_plan, format json) {BY_TIER}".encode()).fetchone()
    assert row is not None

    assert found.cost == row[0][0]["Plan"]["Total Cost"]
    assert found.custom_cost == pytest.approx(sum(costs) / 2)
    assert (found.values, found.values_cost) == (("platinum",), costs[1])
    assert found.same_plan_share == 0
    assert foretold(both, ONE, [("5",), ("6",)]).same_plan_share == 1


@pytest.mark.server
def test_values_are_drawn_by_their_share(both: tuple[psycopg.Connection[Any], StandInFacts, Planner]) -> None:
    """Without given values; a parameter that stands against no column can't be drawn for."""
    _, facts, planner = both
    settings = planning_settings({}, SERIAL)
    found, _ = generic_plan(BY_TIER, facts, planner, settings)
    assert found is not None
    assert (found.sequence, found.executions) == ("by_share", 24)
    assert generic_plan("select * from walkers limit $1", facts, planner, settings)[1]
    assert generic_plan("select * from walkers", facts, planner, settings) == (None, ())


@pytest.mark.server
def test_only_a_plain_query_is_prepared(both: tuple[psycopg.Connection[Any], StandInFacts, Planner]) -> None:
    """Two statements and other kinds are refused; a value that is none of its type is one sentence; nothing stays."""
    _, facts, planner = both
    settings = planning_settings({}, SERIAL)
    for query in ("select $1; drop table tours", "create table x as select $1", "execute y($1)"):
        assert "not planned on a stand-in" in generic_plan(query, facts, planner, settings, [("1",)])[1][0]
    assert (
        "can't plan the execution" in generic_plan(ONE, facts, planner, settings, [("x'); drop table tours --",)])[1][0]
    )
    for _ in range(2):
        assert generic_plan(ONE, facts, planner, settings, [("1",)])[1] == ()
