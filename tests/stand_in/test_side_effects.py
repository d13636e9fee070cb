"""What a change does to a list of queries, foretold on a stand-in: PostgreSQL decides, with the data and the change."""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psycopg
import pytest

from rowreckon.document.audit import Remedy
from rowreckon.document.foretold import NEEDS_TRIAL
from rowreckon.errors import StatementFailed, StatementRefused
from rowreckon.plan.same import as_run
from rowreckon.server.connecting.connection import connected
from rowreckon.server.stand_in.changes.changing import changed
from rowreckon.server.stand_in.planning import Planner
from rowreckon.server.stand_in.standing import StandIn, stand_in
from rowreckon.stand_in.foretellable import OWN, why_not_foretold
from tests.cli.running import rowreckon
from tests.reading.psql import psql_program
from tests.servers.databases import fresh_database

from .test_same_plans import build, facts_of
from .valleys import CHANGES, QUERIES, SCHEMA


@dataclass(frozen=True)
class Both:
    """A server with the data, and a stand-in for it."""

    source: psycopg.Connection[Any]
    there: StandIn
    before: dict[str, Any]


@pytest.fixture(scope="module")
def dsn(server: str) -> Iterator[str]:
    """The database with data."""
    with fresh_database(server) as dsn:
        with psycopg.connect(dsn, autocommit=True) as connection:
            build(connection, SCHEMA)
        yield dsn


@pytest.fixture(scope="module")
def both(dsn: str) -> Iterator[Both]:
    """Both, for all tests of this module: what one changes is rolled back."""
    with connected(dsn) as source, stand_in(facts_of(source, list(QUERIES.values()))) as there:
        yield Both(source, there, without_data(there.planner))


def with_data(source: psycopg.Connection[Any], statements: tuple[str, ...]) -> dict[str, Any]:
    """The plans of all queries on the server with data, the change made and rolled back."""
    with source.transaction(force_rollback=True):
        for statement in statements:
            source.execute(re.sub("concurrently ", "", statement, flags=re.I).encode())
        rows = {name: source.execute(f"explain (format json) {q}".encode()).fetchone() for name, q in QUERIES.items()}
    return {name: row[0][0]["Plan"] for name, row in rows.items() if row is not None}


def without_data(planner: Planner) -> dict[str, Any]:
    """The same on a stand-in."""
    return {name: planner.plan(query, {})["Plan"] for name, query in QUERIES.items()}


def differing(one: dict[str, Any], other: dict[str, Any]) -> list[str]:
    """Queries whose plans differ in what they do."""
    return [name for name in QUERIES if as_run(one[name]) != as_run(other[name])]


@pytest.mark.server
@pytest.mark.parametrize("name", CHANGES)
def test_the_stand_in_foretells_every_plan(both: Both, name: str) -> None:
    """The same plans as with data, at costs within a fiftieth; the stand-in plans as before afterwards."""
    real = with_data(both.source, CHANGES[name])
    with changed(both.there, CHANGES[name]) as now:
        foretold = without_data(now.planner)

    assert differing(foretold, real) == []
    assert {q: plan["Total Cost"] for q, plan in foretold.items()} == pytest.approx(
        {q: plan["Total Cost"] for q, plan in real.items()}, rel=0.02
    )
    assert both.before != foretold
    assert without_data(both.there.planner) == both.before


@pytest.mark.server
def test_a_number_of_distinct_values_counts_at_once(both: Both) -> None:
    """As the ANALYZE beside it writes it, which reads every row of this table."""
    statements = ("alter table stays alter column guest_id set (n_distinct = 9)", "analyze stays")
    real = with_data(both.source, statements)
    with changed(both.there, statements) as now:
        foretold = without_data(now.planner)

    assert differing(foretold, real) == []
    assert foretold["one guest"]["Plans"][0]["Plan Rows"] == real["one guest"]["Plans"][0]["Plan Rows"]
    assert foretold["kinds"]["Plan Rows"] == real["kinds"]["Plan Rows"]


@pytest.mark.server
@pytest.mark.parametrize(
    ("statement", "error"),
    [
        ("create index stays_hash on stays using hash (guest_id)", StatementRefused),
        ("create index stays_odd on stays (no_such)", StatementFailed),
        ("drop index stays_pkey", StatementFailed),
        ("drop table stays", StatementRefused),
        ("alter table stays alter column guest_id reset (n_distinct)", StatementFailed),
    ],
)
def test_what_can_not_be_foretold_is_said(both: Both, statement: str, error: type[Exception]) -> None:
    """One sentence, and the stand-in stays as it is."""
    sizes = {path: path.stat().st_size for path in both.there.place.data.glob("base/*/*")}
    with pytest.raises(error), changed(both.there, (statement,)):
        pass

    assert {path: path.stat().st_size for path in sizes} == sizes


@pytest.mark.server
def test_a_sweep_foretells_and_keeps_what_a_stand_in_needs(dsn: str, tmp_path: Path) -> None:
    """The same is told later from the folder alone, without a server, and not with --no-stand-in.

    Values of parameters are not in the folder: the list gives them again.
    """
    listed, folder = tmp_path / "list.sql", tmp_path / "captures"
    names, given = ("visits", "one guest", "valleys", "one hut"), ("Guest of a set [a]", "Guest of a set [b]")
    executed = f"-- name: Guest of a set\n{QUERIES['one guest'].replace('77', '$1')};\n"
    listed.write_text("\n".join([*(f"-- name: {name}\n{QUERIES[name]};\n" for name in names), executed]))
    (tmp_path / "list.toml").write_text('["Guest of a set"]\na = [77]\nb = [78]\n')
    done = rowreckon(
        *("sweep", str(listed), "--dsn", dsn, "--allow-privileged-role", "--stand-in", "--save", str(folder)),
        *("--format", "json"),
    )
    assert done.returncode == 0, done.stderr
    swept = [each["foretold"] for each in json.loads(done.stdout)["remedies"] if each["kind"] == "new_index"]
    facts = folder / "stand-in.facts"
    words = ("audit", str(folder), "--facts", str(facts), "--format", "json")
    later, alone = rowreckon(*words, "--query", str(listed)), rowreckon(*words, "--no-stand-in")
    assert (later.returncode, alone.returncode) == (0, 0), later.stderr + alone.stderr
    audited = [each["foretold"] for each in json.loads(later.stdout)["remedies"] if each["kind"] == "new_index"]

    assert [each["planned"] for each in swept] == [len(names) + len(given)]
    assert {each["query"] for each in swept[0]["queries"] if each["change"] == "plan_changed"} >= {
        "visits",
        "one guest",
        *given,
    }
    assert [(each["planned"], each["changed"]) for each in audited] == [(swept[0]["planned"], swept[0]["changed"])]
    assert {each["foretold"] for each in json.loads(alone.stdout)["remedies"]} == {None}
    assert facts.stat().st_mode & 0o777 == 0o600


def remedy(*sql: str) -> Remedy:
    """A remedy of these statements."""
    return Remedy(rank=1, kind="other", sql=sql, transactional=True, confidence=1, reason="")


def test_what_needs_data_is_not_asked() -> None:
    """Statistics are made of rows; a setting of one statement concerns no other."""
    assert why_not_foretold(remedy("ANALYZE t")) == NEEDS_TRIAL
    assert why_not_foretold(remedy("CREATE STATISTICS s ON a, b FROM t", "ANALYZE t")) == NEEDS_TRIAL
    assert why_not_foretold(remedy("CREATE INDEX i ON t (a)", "ANALYZE t")) == NEEDS_TRIAL
    assert why_not_foretold(remedy("ALTER TABLE t ALTER COLUMN a SET (n_distinct = 5)", "ANALYZE t")) is None
    assert why_not_foretold(remedy("CREATE INDEX i ON t (a)")) is None
    setting = remedy("SET plan_cache_mode = 'force_custom_plan'").model_copy(update={"kind": "statement_setting"})
    assert why_not_foretold(setting) == OWN
    partial = remedy("CREATE INDEX i ON t (a) WHERE b = '***'")
    assert why_not_foretold(partial) is None
    assert why_not_foretold(partial, masked=True) is not None


@pytest.mark.server
def test_the_audit_tells_what_its_changes_do_to_the_list(dsn: str, both: Both, tmp_path: Path) -> None:
    """From two plans, a list that holds their queries and others, and a colleague's answer to what a report says.

    One plan's file is named as its query is; the other's query is recognised by what the stand-in plans.
    """
    plans = {"lands": tmp_path / "lands.json", "visits": tmp_path / "some plan.json"}
    for name, path in plans.items():
        with psycopg.connect(dsn, autocommit=True) as connection:
            row = connection.execute(
                f"explain (analyze, verbose, buffers, settings, format json) {QUERIES[name]}".encode()
            ).fetchone()
        assert row is not None
        path.write_text(json.dumps(row[0]))
    listed = tmp_path / "list.sql"
    listed.write_text("\n".join(f"-- name: {name}\n{query};\n" for name, query in QUERIES.items()))
    script, answer, report = (tmp_path / name for name in ("ask.sql", "answer.txt", "report.md"))
    words = [*map(str, plans.values()), "--query", str(listed)]
    done = rowreckon("ask", *words, "--stand-in", "-o", str(script))
    assert (done.returncode, done.stderr) == (0, "")
    psql = [str(psql_program()), "-X", "-d", dsn, "-f", str(script), "-o", str(answer)]
    shown = subprocess.run(psql, capture_output=True, text=True, check=False, timeout=120)
    assert (shown.returncode, shown.stderr) == (0, "")
    done = rowreckon("audit", *words, "--facts", str(answer), "--format", "json", "--report", str(report))
    assert done.returncode == 0, done.stderr

    found = json.loads(done.stdout)
    index = next(each for each in found["remedies"] if each["kind"] == "new_index")
    real = with_data(both.source, tuple(index["sql"]))
    expected = set(differing(both.before, real))
    files = {str(path): name for name, path in plans.items()}
    told = {files.get(each["query"], each["query"]): each for each in index["foretold"]["queries"]}
    effects = {each["query"]: each["change"] for each in index["side_effects"]}
    assert {plan["source"]: plan["query"] for plan in found["plans"]} == {
        str(path): QUERIES[name] for name, path in plans.items()
    }
    assert index["foretold"]["planned"] == len(QUERIES)
    assert {name for name, each in told.items() if each["change"] == "plan_changed"} == expected > {"one guest"}
    assert {told[name]["cost_before"] for name in expected} == {both.before[name]["Total Cost"] for name in expected}
    assert told["visits"]["plan"] is not None
    assert told["one guest"]["plan"] is None
    assert effects["one guest"] == "plan_changed"
    said = f"On a stand-in it changes the plan of {len(expected)} of {len(QUERIES)} queries. Then "
    assert said in " ".join(report.read_text().split())
