"""A query written another way, tried on a live server: what other rows it gives is found, however fast it is."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from rowreckon.auditing import audit
from rowreckon.document.audit import FindingRef, Plan, Remedy
from rowreckon.server.connecting.connection import connected
from rowreckon.server.lists.querylist import read_query_list
from rowreckon.server.trials.in_place import InPlace
from rowreckon.server.trials.rules import TrialRules
from rowreckon.server.trials.stage import Clock
from rowreckon.trial.measured import Measured
from rowreckon.trial.planning import attempt_of
from tests.cli.running import rowreckon_long
from tests.servers.databases import fresh_database

ROLE = "rewritten_keeper"
SETUP = f"""
create table notes(note int primary key, hut int, weight numeric, words text, extra json);
insert into notes select i, i % 2, i, 'snow ' || i, '{{}}' from generate_series(1, 30000) i;
create table stays(stay int primary key, note int);
insert into stays select i, i from generate_series(1, 60000) i;
create index on stays(note);
alter table notes enable row level security;
create policy own_hut on notes using (hut = 1);
grant select on notes, stays to {ROLE};
analyze;
"""
HEAVY = "select count(*) from notes n join stays s on s.note = n.note where n.weight > 29960"


@pytest.fixture(scope="module")
def notes(server: str) -> Iterator[str]:
    """A database under whose policy the role sees every second note; the role is dropped with it."""
    with psycopg.connect(server, autocommit=True) as admin:
        admin.execute(f"create role {ROLE} login".encode())
        try:
            with fresh_database(server) as dsn:
                with psycopg.connect(dsn, autocommit=True) as connection:
                    connection.execute(SETUP.encode())
                yield dsn
        finally:
            admin.execute(f"drop role if exists {ROLE}".encode())


def _tried(dsn: str, query: str, text: str, *, from_files: frozenset[int] = frozenset()) -> Measured:
    """One attempt in place with this text for the list's only query."""
    remedy = Remedy(
        rank=1,
        kind="query_rewrite",
        sql=(text,),
        transactional=True,
        confidence=0.9,
        reason="",
        findings=(FindingRef(plan=0, finding=0),),
    )
    planned = audit([]).model_copy(update={"plans": (Plan(source="the query", analyzed=True),)})
    items = read_query_list(f"{query};")
    with connected(dsn) as connection:
        rules = TrialRules(hold_ms=600_000.0)  # nothing here is about time
        place = InPlace(connection, planned, items, rules, Clock(3_600_000), lambda _: None, from_files=from_files)
        return place.try_(attempt_of((remedy,)))


def test_the_same_rows_are_said_to_be_the_same(notes: str) -> None:
    query = "select words from notes where note < 10"
    measured = _tried(notes, query, "select words from notes where (note < 10) is true order by 1")

    assert (measured.other_rows, measured.void, measured.not_applied) == (None, None, None)
    assert measured.notes == ("both texts of the query give the same rows",)
    assert measured.queries[0].after.ms != ()


def test_other_rows_are_harm(notes: str) -> None:
    """One row more, and one that comes twice: the multisets differ by two rows."""
    query = "select words from notes where note < 10"
    measured = _tried(notes, query, "select words from notes where note <= 10 union all select 'snow 1'")

    assert measured.other_rows == "the new text gives other rows: 2 rows differ"


def test_rows_that_can_not_be_compared_leave_it_open(notes: str) -> None:
    """Values of json have no equality."""
    query = "select extra from notes where note < 10"
    measured = _tried(notes, query, "select extra from notes where (note < 10) is true")

    assert measured.void is not None
    assert measured.void.startswith("the rows of both texts could not be compared: could not identify an equality")


@pytest.mark.parametrize(
    ("text", "from_files", "why"),
    [
        ("select 1", frozenset({0}), "the query that it writes another way came with a file"),
        ("delete from notes", frozenset(), "another statement than a query"),
        ("select 1; select 2", frozenset(), "another statement than a query"),
    ],
)
def test_what_is_no_query_of_the_list_is_not_sent(notes: str, text: str, from_files: frozenset[int], why: str) -> None:
    measured = _tried(notes, "select words from notes where note < 10", text, from_files=from_files)

    assert measured.not_applied is not None
    assert why in measured.not_applied
    assert measured.apply_ms is None


@pytest.mark.full
def test_a_trial_on_copies_finds_that_it_helps(notes: str, tmp_path: Path) -> None:
    """Whole, for a role under row security: the first change is tried with its statistics, and the rows compared."""
    (tmp_path / "list.sql").write_text(f"-- name: heavy notes\n{HEAVY};\n")
    arguments = ("--format", "json", "--yes", "--role", ROLE, "--remedy", "1")
    done = rowreckon_long("trial", str(tmp_path / "list.sql"), "--dsn", notes, *arguments)
    first = json.loads(done.stdout)["remedies"][0]
    trial = first["trial"]

    assert (done.returncode, first["kind"]) == (0, "query_rewrite"), done.stderr
    assert trial["verdict"] in ("helped", "no_effect")  # the clock decides which
    assert "oth texts of the query give the same rows" in trial["reason"]
    assert trial["q_error_before"] > 100 > 2 > trial["q_error_after"]
    assert first["sql"][-1].endswith("n.weight > 29960 IS TRUE")
