"""A query in two steps, tried in a transaction that is rolled back: the temporary table is filled, analyzed and read.

Checked against the server itself: its rows, its own times, and all that its catalogs hold before and after.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import psycopg
import pytest
from psycopg.conninfo import make_conninfo

from rowreckon.auditing import audit
from rowreckon.document.audit import FindingRef, Plan, Remedy
from rowreckon.server.connecting.connection import connected
from rowreckon.server.connecting.permission import Limits, SafetyPermission
from rowreckon.server.executing.execute import Executor, QueryRun
from rowreckon.server.lists.querylist import QueryItem, read_query_list
from rowreckon.server.trials.in_place import InPlace
from rowreckon.server.trials.rules import TrialRules
from rowreckon.server.trials.stage import Clock
from rowreckon.sql.filling import Filling, read_filling
from rowreckon.trial.measured import Measured
from rowreckon.trial.planning import attempt_of
from rowreckon.trial.rollback import left_behind
from tests.servers.databases import fresh_database

from .source_state import differences, state_of

ROLE = "filling_guest"
SETUP = f"""
create table huts(hut int primary key, name text);
insert into huts select i, 'hut ' || i from generate_series(1, 400) i;
create table stays(stay int primary key, hut int not null references huts);
insert into stays select i, case when i % 10 < 6 then 11 else 1 + i % 400 end from generate_series(1, 4000) i;
create function climb(int) returns int immutable language plpgsql as 'begin return $1 * 2; end';
create schema later;
create table later.stays_kept as select * from stays;
grant usage on schema later to {ROLE};
grant select on all tables in schema public, later to {ROLE};
analyze;
"""
QUERY = "SELECT count(*) FROM huts h JOIN stays s ON s.hut = h.hut WHERE h.name = 'hut 11'"
FIRST = (
    "CREATE TEMPORARY TABLE stays_kept AS SELECT s.stay FROM huts h, stays s WHERE s.hut = h.hut AND h.name = 'hut 11'"
)
SECOND = "SELECT count(*) FROM stays_kept AS s"
KEPT = Filling("stays_kept", "SELECT stay FROM stays WHERE hut = 11")


@pytest.fixture(scope="module")
def stays(server: str) -> Iterator[str]:
    """A database in which a guest has no right to temporary tables."""
    with psycopg.connect(server, autocommit=True) as admin:
        admin.execute(f"create role {ROLE} login".encode())
        try:
            with fresh_database(server) as dsn:
                with psycopg.connect(dsn, autocommit=True) as connection:
                    connection.execute(SETUP.encode())
                    database = psycopg.conninfo.conninfo_to_dict(dsn)["dbname"]
                    connection.execute(f"revoke temporary on database {database} from public".encode())
                yield dsn
        finally:
            admin.execute(f"drop role if exists {ROLE}".encode())


def _tried(dsn: str, *statements: str) -> Measured:
    remedy = Remedy(
        rank=1,
        kind="query_rewrite",
        sql=statements,
        transactional=True,
        confidence=0.9,
        reason="",
        findings=(FindingRef(plan=0, finding=0),),
    )
    planned = audit([]).model_copy(update={"plans": (Plan(source="the query", analyzed=True),)})
    with connected(dsn) as connection:
        rules = TrialRules(hold_ms=600_000.0, most_rounds=3)  # nothing here is about time
        place = InPlace(connection, planned, read_query_list(QUERY), rules, Clock(3_600_000), lambda _: None)
        return place.try_(attempt_of((remedy,)))


def _run(dsn: str, text: str, *fillings: Filling, permission: SafetyPermission | None = None) -> QueryRun:
    (item,) = read_query_list(text)
    return _run_item(dsn, replace(item, fillings=fillings), permission or SafetyPermission())


def _run_item(dsn: str, item: QueryItem, permission: SafetyPermission) -> QueryRun:
    with connected(dsn) as connection:
        return Executor(connection, permission, Limits(), timing=False).run(item)


def test_both_steps_are_run_and_nothing_stays(stays: str) -> None:
    """The planner knows the rows that were kept, the rows are compared, and the database is as it was.

    But for what the announcement says: the catalogs' dead rows, which the server's own counters show.
    """
    dead = "select pg_stat_get_dead_tuples('pg_attribute'::regclass), pg_stat_clear_snapshot()"
    with psycopg.connect(stays, autocommit=True) as watcher:
        before, dead_before = state_of(watcher), watcher.execute(dead).fetchone()
        measured = _tried(stays, FIRST, "ANALYZE stays_kept", SECOND)
        assert differences(before, state_of(watcher)) == set()
        dead_after = watcher.execute(dead).fetchone()
    assert dead_before is not None
    assert dead_after is not None
    assert dead_after[0] > dead_before[0]
    (announced,) = left_behind(measured.attempt.all_statements, 180000)
    assert "pg_attribute" in announced
    (query,) = measured.queries

    assert (measured.not_applied, measured.void, measured.other_rows) == (None, None, None)
    assert measured.notes[0] == "both texts of the query give the same rows"
    assert measured.notes[1].startswith("filling and analyzing stays_kept takes ")
    assert query.plan_after is not None
    # the only estimate of rows is what ANALYZE counted
    assert [n.q_error for n in query.plan_after.nodes if n.alias == "s"] == [1.0]
    assert len(query.after.ms) >= 3


def test_the_time_of_all_steps_is_the_price(stays: str) -> None:
    """What a run took is the reading and more: filling the table lasts longer than reading a row of it."""
    slow = Filling(
        "sums_kept", "SELECT sum(a.stay * b.stay) AS all_of_it FROM stays a JOIN stays b ON b.hut = a.hut % 5"
    )
    run = _run(stays, "SELECT all_of_it FROM sums_kept", slow)

    assert run.outcome == "ran", run.reason
    assert run.filled_ms > run.document[0]["Execution Time"] > 0


def test_other_rows_of_two_steps_are_harm(stays: str) -> None:
    measured = _tried(stays, FIRST.replace("'hut 11'", "'hut 12'"), "ANALYZE stays_kept", SECOND)

    assert measured.other_rows == "the new text gives other rows: 2 rows differ"


def test_a_table_may_be_filled_from_one_before(stays: str) -> None:
    second = Filling("few_kept", "SELECT stay FROM stays_kept WHERE stay < 100")
    run = _run(stays, "SELECT count(*) FROM few_kept", KEPT, second)

    assert run.outcome == "ran", run.reason


@pytest.mark.parametrize(
    ("text", "filling", "why"),
    [
        ("INSERT INTO huts SELECT stay FROM stays_kept", KEPT, "changes rows"),
        (SECOND, Filling("stays_kept", "SELECT climb(stay) AS stay FROM stays"), "public.climb"),
        (SECOND, Filling("stays_kept", "SELECT nextval('never') AS stay"), "nextval"),
        (SECOND, Filling("stays_kept", "DELETE FROM stays RETURNING stay"), "more than one plain query"),
    ],
)
def test_what_a_table_is_not_filled_with(stays: str, text: str, filling: Filling, why: str) -> None:
    """Nothing that may act, or that is only declared not to, while the transaction may write; whatever is permitted."""
    permissions = [SafetyPermission(), SafetyPermission(volatile=True)]
    runs = [_run(stays, text, filling, permission=permission) for permission in permissions]

    assert {run.outcome for run in runs} <= {"refused", "failed"}
    assert why in str(runs[0].reason)


def test_the_text_that_reads_may_not_write(stays: str) -> None:
    """Once the tables are filled the server itself refuses every other change."""
    (item,) = read_query_list("DELETE FROM huts WHERE hut IN (SELECT stay FROM stays_kept)")
    run = _run_item(stays, replace(item, fillings=(KEPT,)), SafetyPermission(writes=True))

    assert (run.outcome, run.sqlstate) == ("failed", "25006")


def test_without_the_right_to_temporary_tables(stays: str) -> None:
    run = _run(make_conninfo(stays, user=ROLE), SECOND, KEPT)

    assert run.outcome == "refused"
    assert run.reason == (
        f"role {ROLE} may not make temporary tables there: GRANT TEMPORARY ON DATABASE gives the right"
    )


def test_another_table_of_the_name_comes_first(stays: str) -> None:
    """Under a path that puts temporary tables last the text would read the permanent one."""
    (item,) = read_query_list(f"set search_path = later, public, pg_temp; {SECOND}")
    run = _run_item(stays, replace(item, fillings=(KEPT,)), SafetyPermission())

    assert run.outcome == "refused"
    assert run.reason == "under the search path in force stays_kept means another table than the temporary one"


@pytest.mark.parametrize(
    "statement",
    [
        "CREATE TABLE kept AS SELECT 1",
        "CREATE TEMPORARY TABLE pg_temp.kept AS SELECT 1",
        "CREATE TEMPORARY TABLE kept TABLESPACE fast AS SELECT 1",
        "CREATE TEMPORARY TABLE kept WITH (fillfactor = 10) AS SELECT 1",
        "CREATE TEMPORARY TABLE kept AS SELECT 1 WITH NO DATA",
        "CREATE TEMPORARY TABLE kept AS EXECUTE prepared(1)",
        "CREATE TEMPORARY TABLE kept AS SELECT 1 FOR UPDATE",
        "CREATE TEMPORARY TABLE kept AS WITH gone AS (DELETE FROM huts RETURNING hut) SELECT hut FROM gone",
        "CREATE TEMPORARY TABLE kept AS SELECT 1; SELECT 2",
        "CREATE MATERIALIZED VIEW kept AS SELECT 1",
        "SELECT 1 INTO TEMPORARY kept",
    ],
)
def test_what_is_no_filling(statement: str) -> None:
    """Any other statement is none."""
    assert read_filling(statement) is None


def test_what_is_no_filling_is_not_sent(stays: str) -> None:
    """It is taken for a change, and is none that a trial makes."""
    measured = _tried(stays, "CREATE TABLE kept AS SELECT 1", SECOND)

    assert str(measured.not_applied).startswith("it is not sent to the server: ")
