"""Trials of what the audit proposes for every kind of relation, with names that need quoting, on a live server."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest
from psycopg import sql
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from rowreckon import releases
from rowreckon.auditing import audit
from rowreckon.captures.capture_folder import CaptureFolder
from rowreckon.document.audit import Plan, Remedy
from rowreckon.server.connecting.connection import connected
from rowreckon.server.connecting.permission import SafetyPermission
from rowreckon.server.lists.querylist import read_query_list
from rowreckon.server.trials.copies import copies
from rowreckon.server.trials.on_copies import OnCopies
from rowreckon.server.trials.rules import TrialRules
from rowreckon.server.trials.stage import Clock
from rowreckon.server.trials.to_database import connector_to
from rowreckon.trial.measured import Measured
from rowreckon.trial.planning import attempt_of
from tests.cli.running import rowreckon_long
from tests.faults.runner import capture
from tests.servers.databases import fresh_database
from tests.servers.fixtures import running

from .scene import copies_on

SETUP = """
create schema "Hut ""Net"" 1";
set search_path = "Hut ""Net"" 1";
create table guests(id int primary key, pad text);
insert into guests select i, repeat('g', 40) from generate_series(1, 20000) i;
analyze guests;
create table "Stay;Log"(id int, "Guest" int, status text, pad text);
insert into "Stay;Log" select i, i % 20000 + 1, 'done', 'p' from generate_series(1, 60000) i;
create materialized view "Open Stays" as select * from "Stay;Log";
create view first_view as select id, "Guest", status from "Stay;Log" where pad is not null;
create view "Second View" as select "Guest" as guest, status from first_view where id > 0;
create table "Night Log"("Guest" int, status text, night int) partition by range (night);
create table "Night Log 1" partition of "Night Log" for values from (0) to (50);
create table "Night Log 2" partition of "Night Log" for values from (50) to (100);
insert into "Night Log" select i % 20000 + 1, 'done', i % 100 from generate_series(1, 60000) i;
analyze;
insert into "Stay;Log" select i, i % 20000 + 1, 'waiting', 'p' from generate_series(1, 25000) i;
refresh materialized view "Open Stays";
insert into "Night Log" select i % 20000 + 1, 'waiting', i % 100 from generate_series(1, 25000) i;
create extension postgres_fdw;
"""
REMOTE = """
create table remote_stays(id int, guest int, pad text);
insert into remote_stays select i, i % 20000 + 1, 'waiting' from generate_series(1, 80000) i;
analyze remote_stays;
"""
QUERIES = """
set search_path = "Hut ""Net"" 1";
set max_parallel_workers_per_gather = 0;
set jit = off;
-- name: views over views
select count(*), max(g.pad) from "Second View" v join guests g on g.id = v.guest where v.status = 'waiting';
-- name: materialized view
select count(*), max(g.pad) from "Open Stays" v join guests g on g.id = v."Guest" where v.status = 'waiting';
-- name: partitions
select count(*), max(g.pad) from "Night Log" n join guests g on g.id = n."Guest" where n.status = 'waiting';
-- name: foreign table
select count(*), max(g.pad) from remote_stays r join guests g on g.id = r.guest where r.pad = 'waiting';
"""


@pytest.fixture(
    scope="module", params=[pytest.param(16, marks=pytest.mark.full), releases.NEWEST], ids=lambda major: f"pg{major}"
)
def network(request: pytest.FixtureRequest) -> Iterator[str]:
    """A database with all of them, and another one behind its foreign table."""
    with running(request.param) as server, fresh_database(server.dsn) as remote, fresh_database(server.dsn) as dsn:
        with psycopg.connect(remote, autocommit=True) as connection:
            _script(connection, REMOTE)
        there = conninfo_to_dict(remote)
        with psycopg.connect(dsn, autocommit=True) as connection:
            _script(connection, SETUP)
            options = sql.SQL("host {}, port {}, dbname {}").format(
                *(sql.Literal(str(there[k])) for k in ("host", "port", "dbname"))
            )
            connection.execute(
                sql.SQL('create server "Valley" foreign data wrapper postgres_fdw options ({})').format(options)
            )
            connection.execute("create user mapping for postgres server \"Valley\" options (user 'postgres')")
            connection.execute(
                'create foreign table remote_stays(id int, guest int, pad text) server "Valley"'
                " options (schema_name 'public')"
            )
            connection.execute("select pg_stat_force_next_flush()")
        yield dsn


def _script(connection: psycopg.Connection[Any], script: str) -> None:
    for statement in script.split(";\n"):
        if statement.strip():
            connection.execute(statement.encode())


def test_every_kind_of_relation_is_tried(network: str, tmp_path: Path) -> None:
    """The statements name the right objects and take effect on the copy; the estimates are right afterwards."""
    queries = tmp_path / "list.sql"
    queries.write_text(QUERIES)
    report = tmp_path / "r.json"
    # a foreign table is read from another server, which nothing here can hold back
    permit = "--allow-volatile"
    done = rowreckon_long("trial", str(queries), "--dsn", network, "--yes", permit, "--report", str(report))
    out, err = done.stdout, done.stderr
    assert done.returncode == 0, out + err
    assert "Valley" in err
    assert copies_on(make_conninfo(network, dbname="postgres")) == []
    document = json.loads(report.read_text())
    plans = [plan["source"] for plan in document["plans"]]
    cured: dict[str, tuple[str, ...]] = {}
    for remedy in document["remedies"]:
        trial = remedy["trial"]
        assert trial["verdict"] != "not_applied", (remedy["sql"], trial["reason"])
        if remedy["kind"] == "refresh_statistics" and trial["q_error_after"] < 1.5:
            cured |= {plans[ref["plan"]]: tuple(remedy["sql_trial"]) for ref in remedy["findings"]}
    schema = '"Hut ""Net"" 1"'
    assert cured["views over views"] == (f'ANALYZE {schema}."Stay;Log"',)
    assert cured["materialized view"] == (f'ANALYZE {schema}."Open Stays"',)
    assert cured["foreign table"] == (f"ANALYZE {schema}.remote_stays",)


PARTITIONS = (
    'ANALYZE "Hut ""Net"" 1"."Night Log 1"',
    'ANALYZE "Hut ""Net"" 1"."Night Log"',
    'CREATE INDEX night_guest ON "Hut ""Net"" 1"."Night Log" ("Guest")',
    'CREATE STATISTICS "Hut ""Net"" 1"."Night;Stats" ON status, night FROM "Hut ""Net"" 1"."Night Log 2"',
    'ALTER TABLE "Hut ""Net"" 1"."Night Log" ALTER COLUMN "Guest" SET (n_distinct_inherited = 20000)',
    'CREATE INDEX open_guest ON "Hut ""Net"" 1"."Open Stays" ("Guest")',
)


def _on_a_copy(dsn: str, statements: tuple[str, ...], queries: str) -> Measured:
    remedy = Remedy(rank=1, kind="other", sql=statements, transactional=True, confidence=1, reason="")
    items = read_query_list(queries)
    plans = tuple(Plan(source=item.name, analyzed=True) for item in items)
    result = audit([]).model_copy(update={"plans": plans, "remedies": (remedy,)})
    with connected(dsn) as admin, copies(connector_to(dsn), admin, admin.info.dbname, 1000.0) as maker:
        # one of the queries reads a foreign table
        rules = TrialRules(permission=SafetyPermission(volatile=True))
        place = OnCopies(maker, result, items, rules, Clock(60_000), True, lambda _: None)
        measured = place.try_(attempt_of((remedy,)))
    assert maker.alive == []
    return measured


def test_partitions_and_their_parents(network: str) -> None:
    """Each statement on a partition, its parent or a materialized view is seen in the copy's catalog."""
    for statement in PARTITIONS:
        measured = _on_a_copy(network, (statement,), QUERIES)
        assert measured.not_applied is None, statement
        assert measured.void is None, statement
        assert {q.change for q in measured.queries} <= {"plan_same", "plan_changed"}
        assert (measured.index_kb is not None) == statement.startswith("CREATE INDEX")


TEMPORARY = (
    'create temporary table "Stays; of Today"(id int, guest int, day date, hut text)',
    "insert into \"Stays; of Today\" select i, i % 20000 + 1, date '2031-07-01' + i % 2, 'hut ' || i % 3"
    " from generate_series(1, 60000) i",
)
ON_TEMPORARY = (
    'select count(*), max(g.pad) from "Stays; of Today" s join guests g on g.id = s.guest'
    " where s.day = date '2031-07-02' and s.hut = 'hut 1'"
)


def test_a_temporary_table_is_analyzed_where_it_was_filled(network: str, tmp_path: Path) -> None:
    """The change runs in the session that has the table, and mends its plan there; a trial says that it has to."""
    with psycopg.connect(network, autocommit=True) as session:
        session.execute('set search_path = "Hut ""Net"" 1"')
        for statement in TEMPORARY:
            session.execute(statement.encode())
        taken = capture(session, ON_TEMPORARY).model_copy(update={"name": "stays of today", "query": ON_TEMPORARY})
        found = audit([taken])
        remedy = next(r for r in found.remedies if r.kind == "refresh_statistics")
        assert remedy.sql == ('ANALYZE pg_temp."Stays; of Today"',)
        assert any("session that filled it" in caution for caution in remedy.cautions)
        assert max(node.q_error or 1 for node in found.plans[0].nodes) > 30
        for statement in remedy.sql:
            session.execute(statement.encode())
        mended = audit([capture(session, ON_TEMPORARY)]).plans[0]
        assert max(node.q_error or 1 for node in mended.nodes) < 1.5
    folder = CaptureFolder(tmp_path / "captures")
    folder.save(taken)
    queries, report = tmp_path / "list.sql", tmp_path / "r.json"
    queries.write_text(f"-- name: stays of today\n{ON_TEMPORARY};\n")
    done = rowreckon_long(
        "trial", str(queries), "--dsn", network, "--yes", "--captures", str(folder.path), "--report", str(report)
    )
    out, err = done.stdout, done.stderr
    assert done.returncode == 2, out + err  # a change that was not tried
    document = json.loads(report.read_text())
    (entry,) = [e for e in document["trials"]["not_tried"] if e["rank"] == 1]
    assert document["remedies"][0]["sql"] == list(remedy.sql)
    assert document["remedies"][0]["trial"] is None
    assert entry["reason"].startswith(
        'its table "Stays; of Today" is temporary, and only the session that made it has it'
    )
    assert "right after filling the table" in " ".join(err.split())


def test_a_list_that_makes_its_temporary_table(network: str, tmp_path: Path) -> None:
    """What fills it may be audited; what reads it is not run, on the source or on a copy, and the reason is one
    sentence with what to do."""
    queries, report = tmp_path / "list.sql", tmp_path / "r.json"
    queries.write_text(
        'set search_path = "Hut ""Net"" 1";\n-- name: filling\n'
        'create temp table waiting as select s.* from first_view s join guests g on g.id = s."Guest"'
        " where s.status = 'waiting';\n-- name: reading\n"
        'select count(*) from waiting join guests g on g.id = "Guest";\n'
    )
    done = rowreckon_long("trial", str(queries), "--dsn", network, "--yes", "--allow-writes", "--report", str(report))
    out, err = done.stdout, done.stderr
    assert done.returncode == 2, out + err  # a query that was refused
    filling, reading = json.loads(report.read_text())["plans"]
    assert filling["outcome"] == "ran"
    assert len(filling["joins"]) == 1
    assert reading["outcome"] == "refused"
    assert reading["reason"].startswith("it uses the temporary table waiting; each query of a list gets a transaction")
    assert "CREATE UNLOGGED TABLE" in reading["reason"]


def test_command_line_says_why_no_copy_can_be_made(network: str, tmp_path: Path) -> None:
    """Without CREATEDB and ownership nothing is begun; the sentence names both."""
    queries = tmp_path / "list.sql"
    queries.write_text("-- name: q\nselect 1;\n")
    with psycopg.connect(network, autocommit=True) as owner:
        owner.execute("create role hiker login")
    done = rowreckon_long("trial", str(queries), "--dsn", make_conninfo(network, user="hiker"))
    err = done.stderr
    assert done.returncode == 2
    assert "CREATEDB" in err
    assert "does not own" in err
