"""For which values which plan comes: what the map says of a value, the server with the data says as well."""

from __future__ import annotations

import contextlib
import random
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import psycopg
import pytest

from rowreckon.document.audit import PlanForValue
from rowreckon.server.connecting.connection import connected
from rowreckon.server.stand_in import values as varied
from rowreckon.server.stand_in.standing import stand_in
from rowreckon.server.stand_in.values import ValuesFound, plans_by_value
from rowreckon.sql.grammar import parse
from rowreckon.stand_in.facts import StandInFacts
from rowreckon.stand_in.settings import planning_settings
from rowreckon.stand_in.values.places import comparisons
from tests.servers.databases import fresh_database

from .test_same_plans import build, facts_of
from .test_value_places import FACTS
from .value_lookup import plan_told, server_says

# Invented: tours from hut to hut, and who goes on them. One tour in 40 is of the dear kind, on which few go.
SCRIPT = """
create table tours (id int primary key, tier text not null, held date not null);
create table walkers (id int primary key, tour int not null);
insert into tours select i, case when i % 40 = 0 then 'platinum' when i % 3 = 0 then 'gold' else 'silver' end,
  date '2024-01-01' + i % 700 from generate_series(1, 8000) i;
insert into walkers select i, 1 + (i::bigint * 7919) % 8000 from generate_series(1, 24000) i;
create index walkers_tour on walkers (tour);
create index tours_tier on tours (tier);
create index tours_held on tours (held);
vacuum analyze;
"""
QUERY = "select * from tours t join walkers w on w.tour = t.id where t.tier = 'silver' and t.held >= '2025-11-20'"
SERIAL = "set local max_parallel_workers_per_gather = 0"


@dataclass(frozen=True)
class Asked:
    source: psycopg.Connection[Any]
    facts: StandInFacts
    found: ValuesFound
    without: ValuesFound

    def at(self, parameter: str) -> list[PlanForValue]:
        return [entry for entry in self.found.values if entry.parameter == parameter]


@pytest.fixture(scope="module")
def asked(server: str) -> Iterator[Asked]:
    """The map of the query, from a stand-in; the server with the data is there to be asked the same."""
    with fresh_database(server) as dsn, connected(dsn) as source:
        build(source, SCRIPT)
        facts = facts_of(source, [QUERY])
        settings = planning_settings({}, {"max_parallel_workers_per_gather": "0"})
        with stand_in(facts) as there:
            found = plans_by_value(QUERY, facts, there.planner, settings)
            bare = facts.model_copy(update={"with_values": False})
            without = plans_by_value(QUERY, bare, there.planner, settings)
        yield Asked(source, facts, found, without)


@pytest.mark.server
def test_the_map_says_what_the_server_says(asked: Asked) -> None:
    """Every common value, one that no row has, days drawn from the years around the table's."""
    drawn = random.Random(16)
    days = [f"{drawn.randint(2022, 2027)}-{drawn.randint(1, 12):02}-{drawn.randint(1, 28):02}" for _ in range(40)]
    values = {"t.tier = …": ["silver", "gold", "platinum", "bronze"], "t.held >= …": days}
    plans: dict[str, set[str]] = {}
    for place in comparisons(parse(QUERY), asked.facts).places:
        assert place.kind is not None
        for text in values[place.shown]:
            value = place.kind.read(text)
            assert value is not None
            said = server_says(asked.source, QUERY, place, value, asked.facts, SERIAL)
            assert (text, plan_told(asked.at(place.shown), value, place.kind)) == (text, said)
            plans.setdefault(place.shown, set()).add(said)

    assert all(len(each) > 1 for each in plans.values())


@pytest.mark.server
def test_shares_are_those_of_the_rows(asked: Asked) -> None:
    """Counted in the table: statistics of a sample that holds every row tell shares to the row."""
    for entry in asked.at("t.tier = …"):
        row = asked.source.execute(
            "select avg((tier = any(%s))::int)::float8 from tours", (list(entry.values),)
        ).fetchone()
        assert row is not None
        assert entry.row_share == pytest.approx(row[0], abs=1e-6)
    stretches = asked.at("t.held >= …")
    assert sum(entry.row_share or 0 for entry in stretches) == pytest.approx(1, abs=1e-9)
    for entry in stretches:
        row = asked.source.execute(
            "select avg((held between coalesce(%s::date, '-infinity') and coalesce(%s::date, 'infinity'))::int)::float8"
            " from tours",
            (entry.low, entry.high),
        ).fetchone()
        assert row is not None
        assert entry.row_share == pytest.approx(row[0], abs=0.01)  # a bar of the histogram


@pytest.mark.server
def test_the_own_plan_is_marked(asked: Asked) -> None:
    """The plan of the query as it is written."""
    row = asked.source.execute(f"explain {QUERY}".encode()).fetchone()
    assert row is not None
    own = {entry.plan for entry in asked.found.values if entry.own}

    assert len(own) == 1
    assert row[0].split("  (cost")[0] == next(iter(own)).split(" (")[0]


@pytest.mark.server
def test_without_values_it_says_so(asked: Asked) -> None:
    """The facts hold no sampled value, so nothing is told."""
    assert asked.without.values == []
    assert "without values" in asked.without.notes[0]


def test_a_place_that_no_plan_is_left_for_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """One plan may be asked for besides the query's own: nothing says of the second place that it can't be planned."""

    class OnePlan:
        @contextlib.contextmanager
        def under(self, settings: dict[str, str]) -> Iterator[Any]:
            yield lambda tree: {"Plan": {"Node Type": "Seq Scan", "Total Cost": 1.0}}

    monkeypatch.setattr(varied, "MOST_PLANS", 1)
    planner: Any = OnePlan()
    found = plans_by_value("select from huts where id = 1 and name = 'Alm'", FACTS, planner, {})
    assert [entry.parameter for entry in found.values] == ["huts.id = …"]
    assert found.notes == ["values of huts.name = … were not varied: no more than 1 plan may be asked for"]
