"""What a text does not show is found: behind views, operators, casts, domains, policies, bodies, defaults, triggers."""

from __future__ import annotations

import psycopg
import pytest

from rowreckon.server.connecting.connection import Connection
from tests.server.judging.conftest import Run, rung
from tests.server.judging.hidden import ACTING, ACTING_SETUP, CALM, CASES, HELPERS, NOISY, SQL_16, Hidden
from tests.servers.databases import run_script

_PATH = "set search_path = here, public; "


@pytest.fixture(scope="module", autouse=True)
def helpers(bells: str) -> None:
    run_script(bells, HELPERS.replace("create function", "create or replace function") + ACTING_SETUP)


def _made(bells: str, case: Hidden, kind: str) -> None:
    """The case's objects, in a schema of their own."""
    setup = f"drop schema if exists here cascade; create schema here; {_PATH} {case.setup.replace('@', kind)}"
    run_script(bells, setup)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_what_is_hidden_is_refused_and_its_twin_runs(bells: str, session: Connection, run: Run, case: Hidden) -> None:
    """The bell stays silent, and the same shape without it is answered."""
    if session.info.server_version // 10000 < case.least:
        pytest.skip(f"from {case.least} on")
    permitted = dict.fromkeys(case.permitted, True)
    _made(bells, case, NOISY)
    refused = run(_PATH + case.text.replace("@", NOISY), **permitted)
    assert (refused.outcome, refused.planned) == ("refused", None), refused.reason
    assert len((refused.reason or "").split()) <= 25
    assert not rung(session)
    _made(bells, case, CALM)
    twin = run(_PATH + case.text.replace("@", CALM), **permitted)
    assert twin.outcome == "ran", twin.reason
    assert not rung(session)


def test_what_the_server_itself_offers_is_refused(session: Connection, run: Run) -> None:
    """Functions that act, or run what a text says, and tables that are elsewhere; what is near them runs."""
    pairs = ACTING + (SQL_16 if session.info.server_version >= 160000 else ())
    for attack, twin in pairs:
        refused = run(attack)
        assert (refused.outcome, refused.planned) == ("refused", None), (attack, refused.reason)
        answered = run(twin)
        assert answered.outcome == "ran" or answered.sqlstate == "0A000", (twin, answered.reason)
    assert not rung(session)


def test_a_function_taken_at_its_word_may_run(session: Connection, bells: str, run: Run) -> None:
    """A PL function that is declared stable runs; the verdict names it."""
    from rowreckon.server.connecting.permission import Limits, SafetyPermission
    from rowreckon.server.executing.beforehand import named_beforehand
    from rowreckon.server.lists.querylist import read_query_list

    run_script(
        bells, "create or replace function said(int) returns int language plpgsql stable as 'begin return 1; end'"
    )
    text = "select said(id) from huts"
    assert run(text).outcome == "ran"
    assert named_beforehand(session, read_query_list(text), SafetyPermission(), Limits()) == ("public.said",)


def test_columns_of_a_checked_domain_are_read(session: Connection, bells: str, run: Run) -> None:
    """A check in PL/pgSQL that nobody declared anything about, as most are: rows are read, not checked again."""
    run_script(
        bells,
        "drop schema if exists here cascade; create schema here; set search_path = here, public;"
        "create domain d as int check (rung_bool(value > 0)); create table t(a d, b int check (rung_bool(b > 0)))",
    )
    assert run(_PATH + "select a, b from t where a = 1 and b > 2 and a in (1, 2) order by a").outcome == "ran"
    assert run("select * from here.t").outcome == "ran"
    assert not rung(session)


def test_the_judge_is_heard_by_all_that_plans(bells: str) -> None:
    """EXPLAIN alone would have run it: the statement is not even planned."""
    with psycopg.connect(bells, autocommit=True) as connection:
        connection.execute(
            "create or replace function folded() returns int language plpgsql immutable as"
            " 'begin perform ring(); return 1; end'"
        )
        connection.execute("explain select 1 from huts where folded() = 1")
        assert rung(connection)
