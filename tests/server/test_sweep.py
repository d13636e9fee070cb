"""Sweeps: every item gets its capture, whatever happens to it, to the connection or to the person's patience."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable
from contextlib import AbstractContextManager

import psycopg
import pytest

from rowreckon.auditing import audit
from rowreckon.capture import Capture
from rowreckon.catalog.facts import Catalog
from rowreckon.server.connecting.connection import Connection
from rowreckon.server.connecting.permission import Limits, SafetyPermission
from rowreckon.server.executing.contest import ContestRules
from rowreckon.server.executing.probe import ProbeRules
from rowreckon.server.lists.querylist import read_query_list
from rowreckon.server.sweeping.measure import SweepRules
from rowreckon.server.sweeping.sweep import Swept, sweep
from tests.server.huts import MISESTIMATED, NEVER_ENDING

Connect = Callable[[], AbstractContextManager[Connection]]


def swept(connect: Connect, text: str, rules: SweepRules | None = None) -> Swept:
    return sweep(connect, read_query_list(text), rules or SweepRules())


def by_name(found: Swept) -> dict[str, Capture]:
    return {c.name: c for c in found.captures}


def test_every_item_has_its_capture(connect: Connect) -> None:
    """Ran, failed, timed out, refused, skipped: each with reason, SQLSTATE and line; the executed ones with facts."""
    text = f"""-- name: good
select count(*) from huts h join bookings b on b.hut_id = h.id;
-- name: failing
select no_such_column from huts;
-- name: endless
{NEVER_ENDING};
-- name: writing
delete from bookings;
-- name: calling
select noted(name) from huts;
-- name: open
select * from huts where id = $1;
-- name: last
select 1"""
    found = by_name(swept(connect, text, SweepRules(limits=Limits(statement_ms=400))))
    said = {name: (c.outcome, c.sqlstate, c.line) for name, c in found.items()}

    assert said == {
        "good": ("ran", None, 2),
        "failing": ("failed", "42703", 4),
        "endless": ("timed_out", "57014", 6),
        "writing": ("refused", None, 8),
        "calling": ("refused", None, 10),
        "open": ("skipped", None, 12),
        "last": ("ran", None, 14),
    }
    assert isinstance(found["good"].catalog, Catalog)
    assert isinstance(found["endless"].catalog, Catalog)
    assert found["endless"].explain is not None
    assert not found["endless"].explain.analyzed
    assert all(c.reason for c in found.values() if c.outcome != "ran")
    assert all(c.session is not None and c.session.role for c in found.values() if c.outcome == "ran")


def test_the_planner_is_asked_about_misestimated_joins_only(connect: Connect) -> None:
    """Alternatives hold plans with other methods, not executed; a join that was estimated well gets none."""
    found = by_name(swept(connect, f"-- name: bad\n{MISESTIMATED};\n-- name: good\nselect * from huts"))
    alternatives = found["bad"].alternatives

    assert found["good"].alternatives == ()
    assert alternatives
    assert not any(a.explain.analyzed for a in alternatives)
    (plan,) = audit([found["bad"]]).plans
    (join,) = plan.joins
    told = {method for method, cost in join.costs.items() if cost.basis_at_estimate == "planner"}
    assert told >= {"nested_loop", "hash"}


def test_switches_of_the_list_survive_the_asking(connect: Connect) -> None:
    """A method that the list switched off stays off in every alternative, also for a prepared statement's one plan."""
    text = (
        f"set enable_mergejoin = off; prepare q as {MISESTIMATED}; set plan_cache_mode = force_generic_plan; execute q"
    )
    (capture,) = swept(connect, text).captures
    assert capture.outcome == "ran"
    roots = [a.explain.model_dump_json() for a in capture.alternatives if "enable_mergejoin" not in a.switched_off]
    assert roots
    assert len(set(roots)) > 1
    assert not any('"Merge Join"' in root and '"disabled":false' in root for root in roots)


def test_a_contest_times_the_methods(connect: Connect) -> None:
    """The clock's figures stand beside the verdict, in ms, for the executed method and at least one other."""
    rules = SweepRules(contest=ContestRules(rounds=3))
    (capture,) = swept(connect, MISESTIMATED, rules).captures
    (join,) = audit([capture]).plans[0].joins

    assert join.contest is not None
    assert join.contest["timed_out"] is False
    times = [v for k, v in join.contest.items() if k != "timed_out"]
    assert join.method in join.contest
    assert len(times) >= 2
    assert all(isinstance(v, float) and v > 0 for v in times)


def test_a_contest_that_would_spill_is_refused(connect: Connect) -> None:
    """Nothing above --temp-max is run, and that is said."""
    rules = SweepRules(contest=ContestRules(temp_max_kb=1.0))
    wide = "select count(*) from bookings b join payments p on p.booking_id = b.id where b.id % 2 = 0"
    text = f"set work_mem = '64kB'; {wide}"
    (capture,) = swept(connect, text, rules).captures
    assert any("--temp-max" in note for note in capture.notes)


def test_probes_count_what_never_ended(connect: Connect, huts: str) -> None:
    """A cancelled query's scans are counted for it; the judge is count(*)."""
    text = "select count(*) from bookings a join huts h on h.id = a.hut_id, bookings b, bookings c where h.region = 3"
    rules = SweepRules(limits=Limits(statement_ms=400), probe=ProbeRules())
    (capture,) = swept(connect, text, rules).captures
    assert capture.outcome == "timed_out"
    (plan,) = audit([capture]).plans
    probed = {node.alias: node.actual_rows for node in plan.nodes if node.count == "probed" and node.alias}
    with psycopg.connect(huts) as judge:
        row = judge.execute("select count(*) from huts where region = 3").fetchone()
    assert row is not None
    assert probed["h"] == row[0]


def test_a_limited_probe_is_a_lower_bound(connect: Connect) -> None:
    """A count that stops at its limit says at least."""
    rules = SweepRules(limits=Limits(statement_ms=400), probe=ProbeRules(most_rows=100))
    (capture,) = swept(connect, NEVER_ENDING, rules).captures
    states = {n.count for n in audit([capture]).plans[0].nodes if n.relation == "bookings"}
    assert states == {"at_least"}


def test_runs_keep_the_median(connect: Connect) -> None:
    """Three runs, three times, the plan of the median; after a warm-up every page is in the buffers."""
    (capture,) = swept(connect, "select count(*) from bookings", SweepRules(runs=3, warm_up=True)).captures
    assert len(capture.runs_ms) == 3
    assert capture.explain is not None
    assert sorted(capture.runs_ms)[1] == capture.explain.execution_time
    assert capture.cache == "warm"


def test_the_total_time_is_kept(connect: Connect) -> None:
    """What is over the sweep's time is cancelled, the rest is skipped, and both say so."""
    text = f"select 1; {NEVER_ENDING}; select 2"
    found = swept(connect, text, SweepRules(total_ms=700, limits=Limits(statement_ms=60_000)))
    assert [c.outcome for c in found.captures] == ["ran", "timed_out", "skipped"]
    assert all("total time" in (c.reason or "") for c in found.captures[1:])


def test_a_lost_connection_is_made_anew_once(connect: Connect, huts: str) -> None:
    """The query that lost it is named, the next ones run; a second loss ends the running, not the report."""
    text = "select 1; select pg_sleep(20), 'first'; select 2; select pg_sleep(20), 'second'; select 3"
    done = threading.Event()

    def terminate() -> None:
        with psycopg.connect(huts, autocommit=True) as admin:
            while not done.wait(0.3):
                admin.execute(
                    "select pg_terminate_backend(pid) from pg_stat_activity where query like '%pg_sleep(20)%'"
                    " and query like 'EXPLAIN%ANALYZE%' and state = 'active' and datname = current_database()"
                    " and pid <> pg_backend_pid()"
                )

    thread = threading.Thread(target=terminate)
    thread.start()
    try:
        found = swept(connect, text)
    finally:
        done.set()
        thread.join()
    assert [c.outcome for c in found.captures] == ["ran", "failed", "ran", "failed", "skipped"]
    assert found.captures[1].sqlstate == "57P01"
    assert "made anew" in found.captures[1].notes[0]
    assert "could not be made anew" in found.captures[3].notes[0]
    assert len(found.notes) == 2


def test_ctrl_c_keeps_what_is_done(connect: Connect) -> None:
    """An interrupt ends the running query; earlier ones keep their captures and facts, later ones are skipped."""
    timer = threading.Timer(0.8, lambda: os.kill(os.getpid(), signal.SIGINT))
    timer.start()
    found = swept(connect, "select count(*) from huts; select pg_sleep(20); select 3")
    assert found.interrupted
    assert [c.outcome for c in found.captures] == ["ran", "skipped", "skipped"]
    assert [c.reason for c in found.captures[1:]] == ["interrupted while it ran", "interrupted before its turn"]
    assert isinstance(found.captures[0].catalog, Catalog)


def test_permitted_writes_are_rolled_back(connect: Connect, huts: str) -> None:
    """They run, and no row is gone."""
    rules = SweepRules(permission=SafetyPermission(writes=True))
    (capture,) = swept(connect, "delete from bookings where id < 100", rules).captures
    assert capture.outcome == "ran"
    with psycopg.connect(huts) as judge:
        assert judge.execute("select count(*) from bookings").fetchone() == (40000,)


@pytest.mark.parametrize("setting", ["work_mem", "enable_hashjoin"])
def test_settings_of_role_and_database_are_recorded(connect: Connect, huts: str, setting: str) -> None:
    """What a database has otherwise than the server stands in the session's facts."""
    value = {"work_mem": "7MB", "enable_hashjoin": "off"}[setting]
    with psycopg.connect(huts, autocommit=True) as owner:
        owner.execute(
            f"do $$ begin execute format('alter database %I set {setting} = ''{value}''', current_database()); end $$"
        )
        try:
            (capture,) = swept(connect, "select 1").captures
        finally:
            owner.execute(
                f"do $$ begin execute format('alter database %I reset {setting}', current_database()); end $$"
            )
    assert capture.session is not None
    assert capture.session.settings[setting] == value
