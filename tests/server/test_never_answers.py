"""What takes every byte and answers none: a hung proxy, a port of something else. Each run ends in a sentence.

The proxy is the tests' own (`tests/servers/mute.py`); how long is waited is shortened here, so that nobody has to.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from rowreckon.auditing import audit
from rowreckon.capture import Capture
from rowreckon.document.audit import Finding, FindingRef, Plan, Remedy
from rowreckon.errors import StatementFailed
from rowreckon.intake import read_path
from rowreckon.server.connecting import patience
from rowreckon.server.connecting.connection import connected
from rowreckon.server.connecting.permission import Limits, SafetyPermission
from rowreckon.server.lists.querylist import read_query_list
from rowreckon.server.sweeping.enrich import add_facts
from rowreckon.server.sweeping.measure import SweepRules
from rowreckon.server.sweeping.survey import survey
from rowreckon.server.sweeping.sweep import sweep
from rowreckon.server.trials.leftovers import find_leftovers
from rowreckon.server.trials.rules import TrialRules
from rowreckon.server.trials.session import TrialSession
from rowreckon.server.trials.to_database import connector_to
from rowreckon.trial.planning import attempts_of
from tests.cli.running import SAMPLES, rowreckon
from tests.servers.mute import mute_proxy

LIST = "-- name: a\nselect 1;\n-- name: b\nselect * from huts where id < 5;\n-- name: c\nselect 3;\n"
SHORT = Limits(statement_ms=700)


@pytest.fixture(autouse=True)
def _impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(patience, "BEYOND_S", 0.8)
    monkeypatch.setattr(patience, "OWN_QUESTION_S", 4.0)
    monkeypatch.setattr(patience, "_PING_S", 2)


@pytest.mark.parametrize("command", ["sweep", "check", "audit"])
def test_a_port_at_which_nobody_answers(tmp_path: Path, command: str) -> None:
    """At connecting: a sentence and status 2, from the real command."""
    (tmp_path / "list.sql").write_text(LIST)
    with mute_proxy(None) as (_, dsn):
        given = SAMPLES / "stale-statistics.18.json" if command == "audit" else tmp_path / "list.sql"
        done = rowreckon(command, str(given), "--dsn", f"{dsn} connect_timeout=2")
    assert done.returncode == 2
    assert "timeout expired" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("newcomers", ["let in", pytest.param("left alone as well", marks=pytest.mark.full)])
def test_in_the_middle_of_a_query(huts: str, newcomers: str) -> None:
    """The query's item says so; the rest runs over a new connection where there is one."""
    with mute_proxy(huts, "huts where id", to_all=newcomers != "let in") as (_, dsn):
        quick = f"{dsn} connect_timeout=2"
        found = sweep(lambda: connected(quick), read_query_list(LIST), SweepRules(limits=SHORT))
    first, second, third = found.captures
    assert first.outcome == "ran"
    assert second.outcome == "failed"
    assert "gave no answer" in str(second.reason)
    assert third.outcome == ("ran" if newcomers == "let in" else "skipped")


def test_while_the_facts_are_read(huts: str) -> None:
    """The plan is kept, and says why it has no facts."""
    captures = [c for c in read_path(SAMPLES / "stale-statistics.18.json") if isinstance(c, Capture)]
    with mute_proxy(huts, "jsonb_") as (_, dsn), connected(dsn) as connection:
        (capture,) = add_facts(connection, captures, [], threshold=10.0)
    assert any("without catalog facts" in note and "gave no answer" in note for note in capture.notes)


@pytest.mark.full
def test_while_a_list_is_checked(huts: str) -> None:
    """The rest of the check is there; the queries whose outlook nobody knows say so, and are counted."""
    with mute_proxy(huts, "huts where id") as (_, dsn), connected(dsn) as connection:
        found = survey(connection, read_query_list(LIST), SafetyPermission())
    assert [query.outlook for query in found.queries] == ["would run", "not known", "not known"]
    assert found.unanswered == 2


@pytest.fixture
def changes() -> tuple[Remedy, ...]:
    """Two changes to try."""
    return tuple(
        Remedy(
            rank=rank,
            kind="new_index",
            sql=(f"CREATE INDEX tried_{rank} ON bookings (hut)",),
            transactional=True,
            confidence=0.9,
            reason=f"change {rank}",
            tables=("public.bookings",),
            findings=(FindingRef(plan=0, finding=0),),
        )
        for rank in (1, 2)
    )


@pytest.mark.parametrize(
    ("word", "way"),
    [("CREATE INDEX", "in place"), pytest.param("CREATE DATABASE", "on copies", marks=pytest.mark.full)],
)
def test_while_a_change_is_tried(huts: str, changes: tuple[Remedy, ...], word: str, way: str) -> None:
    """Each change is named as not tried, with the reason, also where no time limit bounds the server (a copy)."""
    finding = Finding(code="missing_join_index", confidence=0.9, basis="catalog", summary="")
    plan = Plan(source="b", analyzed=True, findings=(finding,))
    result = audit([]).model_copy(update={"plans": (plan,), "remedies": changes})
    items = read_query_list("-- name: b\nselect * from huts where id < 5;\n")
    rules = TrialRules(least_rounds=1, most_rounds=1, least_ms=300.0, samples=1, limits=SHORT, hold_ms=700)
    with mute_proxy(huts, word) as (_, dsn):
        quick = f"{dsn} connect_timeout=2"
        session = TrialSession(connector_to(quick), items, (), result, attempts_of(result, ()), rules, lambda *_: None)
        with connected(quick) as connection:
            if way == "in place":
                tried = session.in_place(connection)
            else:
                tried = session.on_copies(connection, connection.info.dbname, 8_000.0, pair=True)
    account = tried.audit.trials
    assert account is not None
    assert len(account.not_tried) == 2
    assert all("lost" in entry.reason or "connect" in entry.reason for entry in account.not_tried)
    with connected(huts) as connection:
        assert find_leftovers(connection) == ()


@pytest.fixture
def slow(huts: str) -> Iterator[str]:
    """A DSN of a server that takes longer over a statement than this tool's own questions may take."""
    with mute_proxy(huts, "a word that nobody sends") as (_, dsn):
        yield dsn


@pytest.mark.full
def test_a_server_that_only_takes_its_time(slow: str) -> None:
    """Within a limit, or with none where the server still lets somebody in, a long statement is waited for."""
    with connected(slow) as connection:
        for limit_ms in (60_000.0, 0.0):
            with patience.limited(connection, limit_ms):
                row = connection.execute("select 17 from pg_sleep(5)").fetchone()
            assert row == (17,)
        with pytest.raises(patience.NeverAnswered):
            connection.execute("select from pg_sleep(30)")
        assert connection.closed


def test_a_question_of_the_tools_own(huts: str) -> None:
    """Before anything of a list is sent: one sentence."""
    with (
        mute_proxy(huts, "pg_database_size") as (_, dsn),
        connected(f"{dsn} connect_timeout=2") as connection,
        pytest.raises(StatementFailed, match="gave no answer"),
    ):
        find_leftovers(connection)


@pytest.mark.full
def test_ctrl_c_while_nobody_answers(huts: str, tmp_path: Path) -> None:
    """The process ends with the status of Ctrl-C, though the cancel that it sends is not answered either."""
    (tmp_path / "list.sql").write_text(LIST)
    program = (
        "import signal, threading, os, sys\n"
        "from tests.servers.mute import mute_proxy\n"
        "from rowreckon.cli import main\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "with mute_proxy(sys.argv[2], 'huts where id') as (proxy, dsn):\n"
        "    def look():\n"
        "        while not proxy.mute: pass\n"
        "        os.kill(os.getpid(), signal.SIGINT)\n"
        "    threading.Thread(target=look, daemon=True).start()\n"
        "    sys.argv = ['rowreckon', 'sweep', sys.argv[1], '--dsn', dsn, '--allow-privileged-role']\n"
        "    main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path / "list.sql"), huts],
        capture_output=True, text=True, timeout=240, check=False, cwd=Path(__file__).parents[2],
    )  # fmt: skip
    assert done.returncode == 130, done.stderr
    assert "Traceback" not in done.stderr
