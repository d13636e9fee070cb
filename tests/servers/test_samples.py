"""The sample database and its query list: that they build quickly, and that each query really shows what it is for.

The judge is PostgreSQL itself: for each cause the remedy is applied in a copy of the database and the planner asked
again; if it then picks another join method, the misestimate had decided the method.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import psycopg
import pytest

from rowreckon.auditing import audit
from rowreckon.server.connecting.connection import connected
from rowreckon.server.connecting.permission import SafetyPermission
from rowreckon.server.executing.execute import Executor, QueryRun
from rowreckon.server.samples.build import build_samples, sample_queries
from rowreckon.server.sweeping.demo import run_demo
from tests.report.sentences import of_audit, too_long

from .databases import fresh_database
from .fixtures import MatrixServer

JOINS = ("Nested Loop", "Hash Join", "Merge Join")

# query: (what sets it right, join method before, after); what can't be set right by statistics is below
REMEDIES = {
    "stale-statistics": ("analyze trail_reports", "Nested Loop", "Hash Join"),
    "never-analysed": ("analyze lost_property", "Nested Loop", "Hash Join"),
    "partition-parent-not-analysed": ("analyze weather_log", "Nested Loop", "Hash Join"),
    "low-target-on-skewed-column": (
        "alter table bookings alter partner_code set statistics 100; analyze bookings",
        "Nested Loop",
        "Hash Join",
    ),
    "correlated-columns": (
        "create statistics home (dependencies) on home_land, home_region, home_city from guests; analyze guests",
        "Nested Loop",
        "Hash Join",
    ),
    "distinct-count-of-several-columns": (
        "create statistics homes (ndistinct) on home_land, home_region, home_city from guests; analyze guests",
        "Hash Join",
        "Nested Loop",
    ),
    "wrong-distinct-count": (
        "alter table flight_items alter batch_no reset (n_distinct); analyze flight_items",
        "Nested Loop",
        "Hash Join",
    ),
    "expression-without-statistics": (
        "create statistics kind on (cargo ->> 'kind') from supply_flights; analyze supply_flights",
        "Nested Loop",
        "Hash Join",
    ),
    "function-row-default": ("alter function bookings_to_check rows 40000", "Nested Loop", "Hash Join"),
    "missing-join-index": ("create index on complaints (booking_id)", "Hash Join", "Nested Loop"),
    "luring-index": ("drop index bookings_channel", "Nested Loop", "Hash Join"),
    "statistics-not-usable": ("alter table guest_notes disable row level security", "Nested Loop", "Hash Join"),
}


@pytest.fixture(scope="module")
def samples(server: str) -> Iterator[str]:
    with fresh_database(server) as dsn:
        with connected(dsn) as connection:
            build_samples(connection)
        yield dsn


@pytest.fixture(scope="module")
def runs(samples: str) -> dict[str, QueryRun]:
    with connected(samples) as connection:
        executor = Executor(connection, SafetyPermission())
        return {item.name: executor.run(item) for item in sample_queries()}


def nodes(plan: dict[str, Any]) -> Iterator[dict[str, Any]]:
    yield plan
    for child in plan.get("Plans", ()):
        yield from nodes(child)


def join_methods(document: Any) -> list[str]:
    return [node["Node Type"] for node in nodes(document[0]["Plan"]) if node["Node Type"] in JOINS]


def test_every_query_runs(runs: dict[str, QueryRun]) -> None:
    """No query of the list fails, is refused or runs out of time."""
    assert {name: run.reason for name, run in runs.items() if run.outcome != "ran"} == {}
    assert len(runs) >= 25


@pytest.mark.parametrize("name", REMEDIES)
def test_the_remedy_changes_the_join_method(name: str, samples: str, runs: dict[str, QueryRun]) -> None:
    """With the cause removed PostgreSQL picks the other method (tried in a transaction that is rolled back)."""
    remedy, before, after = REMEDIES[name]
    item = runs[name].item
    assert before in join_methods(runs[name].document)

    with psycopg.connect(samples, autocommit=True) as connection:
        connection.execute("begin")
        try:
            connection.execute(remedy.encode())
            for setting in item.settings:
                connection.execute(setting.encode())
            row = connection.execute(f"explain (format json) {item.text}".encode()).fetchone()
        finally:
            connection.execute("rollback")
    assert row is not None
    assert after in join_methods(row[0])
    assert join_methods(row[0]).count(before) < join_methods(runs[name].document).count(before)


def test_a_foreign_key_sets_the_join_key_of_two_columns_right(samples: str, runs: dict[str, QueryRun]) -> None:
    """With a foreign key over both columns the planner expects as many rows as come."""
    run = runs["multi-column-join-key"]
    join = next(n for n in nodes(run.document[0]["Plan"]) if "bunk_code" in n.get("Hash Cond", ""))
    assert join["Plan Rows"] * 100 < join["Actual Rows"]
    with psycopg.connect(samples) as connection:
        connection.execute("alter table bookings add foreign key (hut_id, bunk_code) references bunks")
        for setting in run.item.settings:
            connection.execute(setting.encode())
        row = connection.execute(f"explain (format json) {run.item.text}".encode()).fetchone()
        connection.rollback()
    assert row is not None
    mended = next(n for n in nodes(row[0][0]["Plan"]) if "bunk_code" in n.get("Hash Cond", ""))
    assert join["Actual Rows"] / 1.5 < mended["Plan Rows"] < join["Actual Rows"] * 1.5


def test_a_custom_plan_sets_the_generic_one_right(samples: str, runs: dict[str, QueryRun]) -> None:
    """With the value known the planner expects few rows and joins by nested loop."""
    run = runs["generic-plan"]
    assert join_methods(run.document) == ["Hash Join"]
    with connected(samples) as connection:
        custom = Executor(connection, SafetyPermission()).run(
            type(run.item)(run.item.name, run.item.line, run.item.text, run.item.kind, prepared=run.item.prepared)
        )
    assert join_methods(custom.document) == ["Nested Loop"]


@pytest.mark.parametrize(
    ("name", "at_least"), [("correlated-range", 100), ("join-key-skew", 1000), ("multi-column-join-key", 100)]
)
def test_what_statistics_cannot_cure_is_misestimated(name: str, at_least: float, runs: dict[str, QueryRun]) -> None:
    """The join's input or output is wrong by orders of magnitude."""
    errors = []
    for node in nodes(runs[name].document[0]["Plan"]):
        expected = max(1.0, node["Plan Rows"])
        came = max(1.0, node["Actual Rows"])
        errors.append(max(expected / came, came / expected))
    assert max(errors) >= at_least


TRAPS = {
    "limit": lambda n: n["Node Type"] == "Limit",
    "semi-join": lambda n: n.get("Join Type") == "Semi" and n["Node Type"] == "Nested Loop",
    "anti-join": lambda n: n.get("Join Type") == "Anti" and n["Node Type"] == "Nested Loop",
    "merge-tail": lambda n: n.get("Index Name") == "payments_booking" and n["Actual Rows"] < n["Plan Rows"] / 3,
    "reread-for-duplicates": lambda n: n["Node Type"] == "Sort" and n["Actual Rows"] > 4 * n["Plans"][0]["Actual Rows"],
    "never-executed": lambda n: n["Actual Loops"] == 0,
    "bitmap-and-or": lambda n: n["Node Type"] == "BitmapAnd" and n["Actual Rows"] == 0,
    "cross-table-correlation": lambda n: n["Node Type"] == "Hash Join" and n["Actual Rows"] > 10 * n["Plan Rows"],
    "memoize": lambda n: n["Node Type"] == "Memoize" and n["Cache Hits"] > n["Cache Misses"],
    "parallel-workers": lambda n: n["Node Type"].startswith("Gather") and n["Workers Launched"] > 0,
    "run-time-pruning": lambda n: n["Node Type"] == "Append" and sum(c["Actual Loops"] == 0 for c in n["Plans"]) >= 4,
    "cte-read-partly": lambda n: n.get("Subplan Name") == "CTE late" and n["Actual Rows"] < n["Plan Rows"] / 100,
    "time-elsewhere": lambda n: n.get("Parent Relationship") == "SubPlan" and n["Actual Loops"] > 50,
    "hash-join-as-it-should-be": lambda n: n["Node Type"] == "Hash Join" and n["Actual Rows"] == n["Plan Rows"],
    "nested-loop-as-it-should-be": lambda n: n["Node Type"] == "Nested Loop" and n["Plan Rows"] <= 5,
}


@pytest.mark.parametrize("name", TRAPS)
def test_each_trap_shows_itself(name: str, runs: dict[str, QueryRun]) -> None:
    """The plan holds the situation that the query is named for."""
    assert any(TRAPS[name](node) for node in nodes(runs[name].document[0]["Plan"]))


def test_every_query_has_its_test(runs: dict[str, QueryRun]) -> None:
    """Nothing in the list is there without a check of what it shows."""
    others = {"correlated-range", "join-key-skew", "multi-column-join-key", "generic-plan"}
    assert set(runs) == set(REMEDIES) | set(TRAPS) | others


CHECKSUM = (
    "select (select sum(hashtext(b::text)::bigint) from bookings b where id % 50 = 0),"
    " (select sum(sensor_id * wind_kmh)::bigint from weather_log), (select max(home_city) from guests)"
)


@pytest.mark.oldest_and_newest
def test_the_same_rows_on_every_major(matrix_database: MatrixServer, samples: str) -> None:
    """Rows on 13 to 18 are those of the first database built, and every query runs there."""
    with connected(samples) as connection:
        expected = connection.execute(CHECKSUM.encode()).fetchone()
    with connected(matrix_database.dsn) as connection:
        build_samples(connection)
        assert connection.execute(CHECKSUM.encode()).fetchone() == expected
        executor = Executor(connection, SafetyPermission())
        assert {executor.run(item).outcome for item in sample_queries()} == {"ran"}


def test_demo_reports_progress_and_stops() -> None:
    """The demonstration runs from nothing, tells its steps in order, and gives every query its capture."""
    steps: list[tuple[str, int, int]] = []
    captures = run_demo(lambda *step: steps.append(step))
    assert [capture.name for capture in captures] == [item.name for item in sample_queries()]
    assert {capture.outcome for capture in captures} == {"ran"}
    for capture in captures:
        assert capture.explain is not None
        assert capture.catalog is not None
        assert (capture.server_version or 0) >= 180000
    assert steps[0][0] == "starting a PostgreSQL server"
    assert all(0 <= done <= total for _, done, total in steps)
    assert too_long(of_audit(audit(captures, curves=False))) == []
