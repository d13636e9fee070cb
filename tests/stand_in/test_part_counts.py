"""Joins of a plan that right counts bring, counted on the source: what it gives, under which limits, judged as ever."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest

from rowreckon.joins.facts.own_workers import reckoned_of
from rowreckon.plan.printed import printed_nodes
from rowreckon.server.connecting.connection import connected
from rowreckon.server.connecting.permission import SafetyPermission
from rowreckon.server.executing.execute import Executor
from rowreckon.server.executing.probe import ProbeRules
from rowreckon.server.lists.querylist import QueryItem
from rowreckon.server.stand_in.right_counts.asking import ask_right_counts
from rowreckon.server.stand_in.standing import stand_in
from rowreckon.server.sweeping.part_counts import PartCounts
from rowreckon.sql.grammar import parse, printed
from rowreckon.stand_in.right_counts.part_queries import count_query
from rowreckon.stand_in.settings import planning_settings
from tests.cli.running import rowreckon
from tests.servers.databases import fresh_database

from .test_right_counts import SCHEMA, executed
from .test_same_plans import build, facts_of

REORDERED = (
    "select h.name, count(*) from guests g join stays s on s.guest_id = g.id join huts h on h.id = s.hut_id"
    " where g.land = 'land 3' and g.region = 'region 3' and h.height = 7 group by h.name"
)
"""Once a thousand guests are known to come instead of fifty, the planner starts with the one hut."""
INNER = "select count(*) from stays s join huts h on h.id = s.hut_id where h.height = 7"


@pytest.fixture(scope="module")
def dsn(server: str) -> Iterator[str]:
    """A database of guests, huts and stays, with a sequence that counting must not advance."""
    with fresh_database(server) as dsn:
        with psycopg.connect(dsn, autocommit=True) as loading:
            build(loading, f"create sequence bells;{SCHEMA}")
        yield dsn


def parts(connection: psycopg.Connection[Any], rules: ProbeRules) -> PartCounts:
    """What counts parts of the query on the server."""
    return PartCounts(Executor(connection, SafetyPermission()), QueryItem("stays", 1, REORDERED, "query"), rules)


@pytest.mark.server
def test_the_joins_of_the_new_order_are_counted(dsn: str) -> None:
    """None of its joins stays unmeasured, and the planner then expects what the server counts there."""
    with connected(dsn) as source:
        plan, capture = executed(source, REORDERED)
        settings, reckoned = planning_settings({}, capture.settings), reckoned_of(capture)
        facts = facts_of(source, [REORDERED])
        with stand_in(facts) as there:
            asked = (REORDERED, plan, reckoned, facts, settings, there.statistics_dsn)
            counted = ask_right_counts(*asked, count=parts(source, ProbeRules())).right_counts
        row = source.execute(INNER.encode()).fetchone()

    assert row is not None
    assert (counted.unmeasured, counted.order_changed, len(counted.probed)) == ((), True, 1)
    assert counted.plan is not None
    assert list(printed_nodes(counted.plan))[counted.probed[0]]["Plan Rows"] == row[0]


@pytest.mark.server
def test_counts_are_limited_and_judged(dsn: str) -> None:
    """To the row; nothing beyond the most rows, of what may act, or once as many were counted as go into the time."""
    with connected(dsn) as source:
        assert parts(source, ProbeRules())("select 1 from stays where nights = 3") == 6_667
        assert parts(source, ProbeRules(most_rows=100))("select 1 from stays where nights = 3") is None
        assert parts(source, ProbeRules())("select 1 from huts where id > nextval('bells')") is None
        few = parts(source, ProbeRules(total_ms=10_000.0))
        assert [few("select 1 from huts") for _ in range(3)] == [300, 300, None]
        assert source.execute("select last_value, is_called from bells").fetchone() == (1, False)


def test_a_part_is_counted_up_to_a_limit() -> None:
    """The part stands in the FROM clause, whatever its own conditions are."""
    part = "select 1 from a, b where a.x = b.y or a.z like '%;drop table a;%'"
    counted = f"select pg_catalog.count(*) from ({part} limit 50) as counted"

    assert count_query(part, 50) == printed(parse(counted))


@pytest.mark.full
@pytest.mark.server
def test_a_sweep_with_probes_tells_of_the_new_order(dsn: str, tmp_path: Path) -> None:
    """Only with a stand-in and --probe together."""
    listed = tmp_path / "list.sql"
    listed.write_text(f"-- name: stays\n{REORDERED};\n")
    words = ("sweep", str(listed), "--dsn", dsn, "--allow-privileged-role", "--stand-in", "--format", "json")
    done, without = rowreckon(*words, "--probe"), rowreckon(*words)
    assert (done.returncode, without.returncode) == (0, 0), done.stderr + without.stderr
    found = json.loads(done.stdout)["plans"][0]["with_right_counts"]

    assert (found["order_changed"], found["unmeasured"], len(found["probed"])) == (True, [], 1)
    assert json.loads(without.stdout)["plans"][0]["with_right_counts"] is None
