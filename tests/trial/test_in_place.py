"""A trial in place: what differs afterwards is exactly what was announced, and nothing waits longer than it may."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import psycopg
import pytest
from psycopg.conninfo import make_conninfo

from rowreckon import releases
from rowreckon.auditing import audit
from rowreckon.document.audit import Audit, Remedy
from rowreckon.server.connecting.connection import connected
from rowreckon.server.lists.querylist import read_query_list
from rowreckon.server.trials.apply import apply
from rowreckon.server.trials.in_place import InPlace
from rowreckon.server.trials.rules import TrialRules
from rowreckon.server.trials.stage import Clock
from rowreckon.trial.measured import Attempt
from rowreckon.trial.rollback import analyzed_tables, indexed_tables, left_behind
from tests.servers.databases import fresh_database
from tests.servers.fixtures import TEST_SETTINGS, MatrixServer, running

from .source_state import differences, state_of

Connection = psycopg.Connection[Any]

SETUP = """
create schema "Lower Huts";
create table "Lower Huts"."Stay Log"(id int, hut int, status text) with (autovacuum_enabled = {autovacuum});
insert into "Lower Huts"."Stay Log" select i, i % 50, 'done' from generate_series(1, 20000) i;
create index stay_id on "Lower Huts"."Stay Log"(id);
analyze "Lower Huts"."Stay Log";
insert into "Lower Huts"."Stay Log" select i, i % 50, 'open' from generate_series(1, 9000) i;
create table huts(id int primary key, name text);
insert into huts select i, 'hut ' || i from generate_series(0, 49) i;
analyze huts;
"""
QUERIES = """
-- name: open stays
select count(*) from "Lower Huts"."Stay Log" s join huts h on h.id = s.hut where s.status = 'open';
-- name: one stay
select * from "Lower Huts"."Stay Log" where id = 17;
"""
TABLE = '"Lower Huts"."Stay Log"'
STATEMENTS = {
    "analyze": (f"ANALYZE {TABLE}",),
    "statistics": (f"CREATE STATISTICS hut_status ON hut, status FROM {TABLE}", f"ANALYZE {TABLE}"),
    "target": (f"ALTER TABLE {TABLE} ALTER COLUMN hut SET STATISTICS 500", f"ANALYZE {TABLE}"),
    "index": (f"CREATE INDEX stay_hut ON {TABLE} (hut)",),
    "foreign key": (f"ALTER TABLE {TABLE} ADD CONSTRAINT stay_hut FOREIGN KEY (hut) REFERENCES huts (id)",),
    "options": (f"ALTER TABLE {TABLE} SET (autovacuum_analyze_scale_factor = 0.02)",),
}
ANALYZE_COUNTERS = {3, 4, 5, 7, 11}
"""Of `_COUNTERS`: n_live_tup, n_dead_tup, n_mod_since_analyze, last_analyze, analyze_count."""
SIZES = {"relpages", "reltuples", "relallvisible", "relallfrozen"}


@pytest.fixture(scope="module", params=[16, releases.NEWEST], ids=lambda major: f"pg{major}")
def active(request: pytest.FixtureRequest) -> Iterator[MatrixServer]:
    """The releases between which CREATE INDEX changed what it leaves, with autovacuum active, though it never comes."""
    with running(request.param, {**TEST_SETTINGS, "autovacuum": "on", "autovacuum_naptime": "1h"}) as server:
        yield server


@pytest.fixture
def major(active: MatrixServer) -> int:
    """The server's release."""
    return active.major


@pytest.fixture(params=["true", "false"], ids=["autovacuum", "no autovacuum"])
def stays(request: pytest.FixtureRequest, active: MatrixServer) -> Iterator[str]:
    """A database with stale statistics and names that need quoting; autovacuum active for its table, or not."""
    with fresh_database(active.dsn) as dsn:
        with psycopg.connect(dsn, autocommit=True) as connection:
            for statement in SETUP.format(autovacuum=request.param).split(";\n"):
                if statement.strip():
                    connection.execute(statement.encode())
            connection.execute("select pg_stat_force_next_flush()")
        yield dsn


def _attempt(statements: tuple[str, ...]) -> tuple[Audit, Attempt]:
    result = audit([])
    plans = tuple(_plan(name) for name in ("open stays", "one stay"))
    remedy = Remedy(
        rank=1,
        kind="other",
        sql=statements,
        transactional=True,
        confidence=0.9,
        reason="",
        tables=("Lower Huts.Stay Log",),
    )
    result = result.model_copy(update={"plans": plans, "remedies": (remedy,)})
    return result, Attempt(ranks=(1,), remedies=(remedy,), statements=statements, victims=frozenset({0}))


def _plan(name: str) -> Any:
    from rowreckon.document.audit import Plan

    return Plan(source=name, analyzed=True)


def _try(dsn: str, statements: tuple[str, ...], rules: TrialRules | None = None) -> Any:
    result, attempt = _attempt(statements)
    rules = rules or TrialRules(hold_ms=600_000.0)  # nothing here is about time
    with connected(dsn) as connection:
        place = InPlace(connection, result, read_query_list(QUERIES), rules, Clock(3_600_000), lambda _: None)
        return place.try_(attempt)


@pytest.mark.parametrize("which", list(STATEMENTS))
def test_what_differs_is_what_was_announced(stays: str, which: str, major: int) -> None:
    """Planner-visible sizes, counters and relhasindex; everything else is as it was, rows and statistics included."""
    statements = STATEMENTS[which]
    with psycopg.connect(stays, autocommit=True) as watcher:
        before, classes = state_of(watcher), _classes(watcher)
        settings = watcher.execute("select reloptions from pg_class where relname = 'Stay Log'").fetchone()
        measured = _try(stays, statements)
        watcher.execute("select pg_stat_clear_snapshot()")
        after, now = state_of(watcher), _classes(watcher)
    assert measured.not_applied is None
    assert measured.void is None
    assert measured.apply_ms > 0
    found = differences(before, after)
    announced = left_behind(statements, major * 10000)
    analyzed, indexed = analyzed_tables(statements), indexed_tables(statements)
    expected = set()
    if analyzed:
        assert analyzed == (TABLE,)
        expected |= {"catalog pg_class", f"counters {TABLE}"}
        counters = zip(before[f"counters {TABLE}"], after[f"counters {TABLE}"], strict=True)
        changed = {n for n, (one, other) in enumerate(counters) if one != other}
        assert changed <= ANALYZE_COUNTERS
        assert {5, 7, 11} <= changed
        assert "n_mod_since_analyze (0)" in announced[1]
        assert after[f"counters {TABLE}"][5] == 0
    active = settings is not None and "autovacuum_enabled=true" in settings[0]
    if indexed and (major < 18 or active):
        expected.add("catalog pg_class")
        assert found == expected
    # what is announced may fail to show: sizes that were right already, indexes that were there already
    assert found <= expected
    assert found >= {name for name in expected if name.startswith("counters")}
    columns = {c for name, row in now.items() for c, value in row.items() if classes[name][c] != value}
    assert columns <= SIZES | {"relhasindex"}
    assert {name for name in now if classes[name] != now[name]} <= {'"Lower Huts"."Stay Log"', '"Lower Huts".stay_id'}
    if analyzed:
        assert "reltuples" in columns
    assert bool(announced) == bool(analyzed or indexed)


def test_statistics_are_the_old_ones_again(stays: str) -> None:
    """The planner sees the change only inside: afterwards it estimates the share of rows as it did before."""
    query = "select most_common_vals::text from pg_stats where tablename = 'Stay Log' and attname = 'status'"
    with psycopg.connect(stays, autocommit=True) as watcher:
        before = watcher.execute(query).fetchone()
        measured = _try(stays, STATEMENTS["analyze"])
        assert watcher.execute(query).fetchone() == before == ("{done}",)
    victim = measured.queries[0]
    assert victim.plan_before is not None
    assert victim.plan_after is not None
    errors = [max(n.q_error or 1 for n in p.nodes) for p in (victim.plan_before, victim.plan_after)]
    assert errors[0] > 1000
    assert errors[1] < 1.2
    # the catalog is read as the open transaction sees it
    assert {join.basis for join in victim.plan_after.joins} == {"catalog"}


def test_an_index_that_its_own_transaction_may_not_see(stays: str) -> None:
    """HOT chains that a concurrent snapshot may still read: indcheckxmin is set, and the trial says so."""
    with psycopg.connect(stays) as reader, psycopg.connect(stays, autocommit=True) as writer:
        writer.execute("create table hot(id int primary key, hut int, pad text) with (fillfactor = 50)")
        writer.execute("insert into hot select i, i, 'p' from generate_series(1, 500) i")
        reader.execute("begin isolation level repeatable read")
        reader.execute("select count(*) from hot")
        writer.execute("update hot set hut = hut + 1")
        measured = _try(stays, ("CREATE INDEX hot_hut ON hot (hut)",))
        assert measured.not_applied is not None
        assert "indcheckxmin" in measured.not_applied
        reader.rollback()
        again = _try(stays, ("CREATE INDEX hot_hut ON hot (hut)",))
        assert again.not_applied is None or "indcheckxmin" in again.not_applied
        assert writer.execute("select to_regclass('hot_hut')").fetchone() == (None,)


def test_what_is_never_done_in_place(stays: str) -> None:
    """No DROP INDEX, nothing that cannot run in a transaction; nothing is even begun."""
    for statement in ('DROP INDEX "Lower Huts".stay_id', f"CREATE INDEX CONCURRENTLY i ON {TABLE} (hut)"):
        with psycopg.connect(stays, autocommit=True) as watcher:
            before = state_of(watcher)
            measured = _try(stays, (statement,))
            assert measured.not_applied is not None
            assert measured.apply_ms is None
            assert differences(before, state_of(watcher)) == set()


def test_only_what_is_seen_was_applied(stays: str) -> None:
    """ANALYZE without the right to only warns; a statement that changes nothing is not taken for a change."""
    with psycopg.connect(stays, autocommit=True) as owner:
        owner.execute("create role hiker login")
        owner.execute('grant usage on schema "Lower Huts" to hiker')
        owner.execute(f"grant select on {TABLE} to hiker")
        with connected(make_conninfo(stays, user="hiker")) as hiker:
            said = apply(hiker, (f"ANALYZE {TABLE}",), limit_ms=600_000).obstacle
            assert said is not None
            assert "the server warned" in said
            refused = apply(hiker, (f"CREATE INDEX ON {TABLE} (hut)",), limit_ms=600_000).obstacle
            assert refused is not None
            assert "the server refused it" in refused
        with connected(stays) as connection:
            same = f"ALTER TABLE {TABLE} ALTER COLUMN hut SET STATISTICS 100"
            assert apply(connection, (same,), limit_ms=600_000).obstacle is None
            again = apply(connection, (same,), limit_ms=600_000).obstacle
            assert again is not None
            assert "nothing in the catalog changed" in again
            slow = apply(connection, (f"CREATE INDEX ON {TABLE} ((pg_sleep(1)::text))",), limit_ms=600_000).obstacle
            assert slow is not None
            owner.execute(
                "create function slowly(integer) returns integer immutable language plpgsql as"
                " 'begin perform pg_sleep(0.1); return $1; end'"
            )
            late = apply(connection, ("ANALYZE huts", f"CREATE INDEX ON {TABLE} (slowly(hut))"), limit_ms=2000)
            owner.execute("drop function slowly")
            assert late.timed_out
            owner.execute("create table locked(a int)")
            with owner.transaction():
                owner.execute("lock table locked in access exclusive mode")
                waiting = apply(connection, ("CREATE INDEX ON locked (a)",), limit_ms=300)
            assert waiting.timed_out
        owner.execute("drop owned by hiker")
        owner.execute("drop role hiker")


def _classes(connection: Connection) -> dict[str, dict[str, Any]]:
    rows = connection.execute(
        "select oid::regclass::text, to_jsonb(c) from pg_class c where oid >= 16384 and relkind in ('r', 'i')"
        " and relnamespace <> 'pg_toast'::regnamespace"
    ).fetchall()
    return {str(name): columns for name, columns in rows}
