"""Conditions that ask whether a computed value is true, and one story for all partitions: the live server judges.

Every remedy is carried out, and the server's own estimate is held to the rows that come.
"""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.causes.registry import BY_CODE
from rowreckon.proposals import PlanAudit
from rowreckon.server.lists.querylist import split_named
from tests.faults.runner import flush_counters

from .live import Connection, codes, first, judged

SETUP = """
create table trips(trip int, doc jsonb);
insert into trips select i, jsonb_build_object('guided', i % 100 = 0) from generate_series(1, 20000) i;
create function is_steep(trip int) returns bool immutable language plpgsql as 'begin return trip % 100 = 0; end';
create table walks(walk int, day date, doc jsonb) partition by range (day);
create table walks_1 partition of walks for values from ('2026-01-01') to ('2026-02-01');
create table walks_2 partition of walks for values from ('2026-02-01') to ('2026-03-01');
create table walks_3 partition of walks for values from ('2026-03-01') to ('2026-04-01');
insert into walks select i, date '2026-01-01' + i % 90, jsonb_build_object('guided', i % 100 = 0)
  from generate_series(1, 30000) i;
analyze;
"""
GUIDED = "((doc ->> 'guided')::boolean)"


@pytest.fixture(scope="module")
def trips(database: str) -> Iterator[Connection]:
    """Trips and walks of which one in a hundred is guided, as a document of each tells."""
    with psycopg.connect(database, autocommit=True) as connection:
        for _, statement in split_named(SETUP):
            if statement.startswith("analyze"):
                flush_counters(connection)
            connection.execute(statement.encode())
        connection.execute("set max_parallel_workers_per_gather = 0")
        yield connection


def apart(audit: PlanAudit) -> float:
    """The factor between the rows that the server expected of the whole query and those that came."""
    count = audit.reckoned.counts[0]
    low, high = sorted((max(count.estimate or 0.0, 1.0), max(count.actual or 0.0, 1.0)))
    return high / low


@pytest.mark.parametrize(
    "condition",
    [
        GUIDED,
        f"{GUIDED} is true",
        f"not {GUIDED} is not true",
        "(doc ->> 'guide') is null",
        "coalesce(trip < 9, false)",
    ],
)
def test_a_truth_value_that_is_computed_has_no_statistics(trips: Connection, condition: str) -> None:
    """The statistics that the remedy builds on just what is asked about mend the server's estimate."""
    query = f"select * from trips where {condition}"
    audit = judged(trips, query)
    found = first(audit)
    (draft,) = BY_CODE[found.code].remedy(found.subject, audit.capture)
    with trips.transaction(force_rollback=True):
        for statement in draft.sql:
            trips.execute(statement.encode())
        mended = apart(judged(trips, query))

    assert found.code == "expression_without_statistics"
    assert found.finding.confidence >= 0.9
    assert apart(audit) >= 10
    assert mended < 2


def test_a_function_as_the_whole_condition_is_a_rule(trips: Connection) -> None:
    """Statistics of its expression leave the server's estimate where it was; asked as IS TRUE they mend it."""
    query = "select * from trips where is_steep(trip)"
    audit = judged(trips, query)
    with trips.transaction(force_rollback=True):
        trips.execute("create statistics steep on (is_steep(trip)) from trips")
        trips.execute("analyze trips")
        still, mended = judged(trips, query), judged(trips, "select * from trips where is_steep(trip) is true")

    assert "taken to be true for a third" in first(audit).finding.summary
    assert "IS TRUE helps" in first(audit).finding.summary
    assert apart(still) == pytest.approx(apart(audit), rel=0.01)
    assert apart(mended) < 2


def test_partitions_with_one_reason_are_one_finding(trips: Connection) -> None:
    """The remedy is for each partition: the server's estimate does not hear of statistics on the parent."""
    query = f"select * from walks where {GUIDED}"
    audit = judged(trips, query)
    (found,) = audit.findings
    (draft,) = BY_CODE[found.code].remedy(found.subject, audit.capture)
    with trips.transaction(force_rollback=True):
        trips.execute(f"create statistics guided on {GUIDED} from walks".encode())
        trips.execute("analyze walks")
        still = apart(judged(trips, query))
    with trips.transaction(force_rollback=True):
        for statement in draft.sql:
            trips.execute(statement.encode())
        mended = apart(judged(trips, query))

    assert set(found.finding.tables) == {"public.walks_1", "public.walks_2", "public.walks_3"}
    assert "The same holds for 2 more partitions." in found.finding.summary
    assert still == pytest.approx(apart(audit), rel=0.01)
    assert mended < 2


def test_a_rule_that_holds_for_all_partitions_is_told_once(trips: Connection) -> None:
    """The planner's rule for a function is the same in each partition that the plan reads."""
    audit = judged(trips, "select * from walks where is_steep(walk) and day < '2026-03-01'")

    assert codes(audit) == ["unexplained"]
    assert len(audit.findings) == 1
    assert len(first(audit).finding.tables) == 2
