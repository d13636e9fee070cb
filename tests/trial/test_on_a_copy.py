"""A trial on copies leaves its source as it was, whatever ends it, and nothing else on the server."""

from __future__ import annotations

import json
import signal
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from rowreckon.document.audit import Audit
from rowreckon.server.connecting.connection import connected
from rowreckon.server.trials.leftovers import find_leftovers
from tests.cli.running import rowreckon_long
from tests.report.sentences import of_audit, too_long
from tests.waiting import turns

from .scene import Scene, copies_on, hook_into, scene, start
from .source_state import differences, state_of

NAME = 'Rebuffat "Pass"'


@pytest.fixture(scope="module")
def huts(server: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scene]:
    """A database with a name that needs quoting and settings of its own."""
    with scene(server, tmp_path_factory.mktemp("trial"), name=NAME) as made:
        with made.connect() as connection:
            name = psycopg.sql.Identifier(NAME)
            for setting in ('search_path = "$user", public, "Odd, \'Name\'"', "work_mem = '3MB'"):
                connection.execute(psycopg.sql.SQL("alter database {} set " + setting).format(name))
            connection.execute(psycopg.sql.SQL("alter role postgres in database {} set geqo_seed = 0.5").format(name))
        yield made


def _state(huts: Scene, *, shared: bool = True) -> dict[str, object]:
    with huts.connect() as connection:
        return state_of(connection, shared=shared)


def test_the_source_is_as_it_was(huts: Scene, tmp_path: Path) -> None:
    """Catalogs, rows, sizes, statistics and counters are identical; the change that helps is found and ranked first."""
    before = _state(huts)
    done = rowreckon_long(*huts.arguments("--report", str(tmp_path / "r.json")))
    assert done.returncode == 0, done.stderr
    assert differences(before, _state(huts)) == set()
    assert copies_on(huts.dsn) == []
    assert "new logins to that database wait" in done.stderr
    assert "How they were tried" in done.stdout
    said = " ".join(done.stdout.split())
    assert "Refresh the statistics on stale_new_status.bookings [helped] stale_new_status, tried alone: " in said
    assert said.startswith("Verdict The whole list took ")
    audit = json.loads((tmp_path / "r.json").read_text())
    errors = [("stderr", line) for line in done.stderr.splitlines()]
    assert too_long([*of_audit(Audit.model_validate(audit)), *errors]) == []
    tried = [r for r in audit["remedies"] if r["trial"] is not None]
    assert len(tried) == len(audit["remedies"]) >= 3
    verdicts = {tuple(r["tables"]): r["trial"]["verdict"] for r in tried if r["kind"] != "other"}
    assert verdicts[("stale_new_status.bookings",)] == "helped"
    helped = [r for r in tried if r["trial"]["verdict"] == "helped"]
    assert audit["remedies"][: len(helped)] == helped
    assert all(r["expected_gain_ms"]["high"] >= r["expected_gain_ms"]["low"] >= 0 for r in helped)
    stale = next(r for r in helped if r["tables"] == ["stale_new_status.bookings"])
    assert stale["trial"]["q_error_before"] > 100
    assert stale["trial"]["q_error_after"] < 1.5
    (query,) = stale["trial"]["queries"]
    assert query["join_order_before"]
    assert query["join_order_after"]
    assert any(j["before"] and j["before"]["outer_actual_rows"] for j in query["joins"])
    # the join after the change is judged on the same evidence as before it
    (before,) = audit["plans"][query["plan"]]["joins"]
    (after,) = query["joins_after"]
    assert (before["verdict"], before["basis"]) == ("crossed", "catalog")
    assert (after["verdict"], after["basis"]) == ("accurate", "catalog")
    assert before["method"] != after["method"] == before["best_at_actual"]
    assert after["switch_points"]
    assert after["outer"]["actual_rows"] == before["outer"]["actual_rows"]
    assert after["outer"]["estimated_rows"] == pytest.approx(after["outer"]["actual_rows"], rel=0.2)


def test_the_copy_gets_the_settings_of_its_source(huts: Scene) -> None:
    """pg_db_role_setting of a copy equals that of its source, lists and quotes included."""
    from rowreckon.server.trials.copies import copies
    from rowreckon.server.trials.to_database import connector_to

    query = (
        "select r.rolname, s.setconfig from pg_db_role_setting s join pg_database d on d.oid = s.setdatabase"
        " left join pg_roles r on r.oid = s.setrole where d.datname = %s order by 1"
    )
    with connected(huts.dsn) as admin:
        with copies(connector_to(huts.dsn), admin, NAME, 1000.0) as maker:
            name = maker.make()
            second = maker.make(name)
            wanted = admin.execute(query, (NAME,)).fetchall()
            assert len(wanted) == 2
            assert admin.execute(query, (name,)).fetchall() == wanted
            assert admin.execute(query, (second,)).fetchall() == wanted
            assert maker.notes == []
            # while the trial runs its copies are nobody's leftovers
            assert find_leftovers(admin) == ()
            closed = admin.execute(
                "select bool_or(has_database_privilege('pg_monitor', datname, 'connect')) from pg_database"
                " where datname = any(%s)",
                ([name, second],),
            ).fetchone()
            assert closed == (False,)
        assert copies_on(huts.dsn) == []


def test_killed_and_found_again(huts: Scene, tmp_path: Path) -> None:
    """After SIGKILL the source is as it was; the next start finds the copies and removes them."""
    before = _state(huts, shared=False)
    hook = hook_into(tmp_path / "hook", "make", "os.kill(os.getpid(), signal.SIGKILL)", after=True)
    process = start(huts.arguments(), hook=hook)
    _, errors = process.communicate(timeout=240)
    assert process.returncode == -signal.SIGKILL, errors
    _wait_until_alone(huts)
    assert differences(before, _state(huts, shared=False)) == set()
    left = copies_on(huts.dsn)
    assert left
    with connected(huts.dsn) as connection:
        assert [leftover.name for leftover in find_leftovers(connection)] == left
    first = rowreckon_long(*huts.arguments("--remedy", "99"))
    assert first.returncode == 2
    assert all(f"DROP DATABASE {name}" in first.stderr for name in left)
    assert copies_on(huts.dsn) == left
    second = rowreckon_long(*huts.arguments("--remedy", "99", "--yes"))
    assert "there is no remedy 99" in second.stderr
    assert copies_on(huts.dsn) == []


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=["ctrl-c", "kill"])
def test_interrupted(huts: Scene, tmp_path: Path, number: signal.Signals) -> None:
    """A polite end right after the first copy was made drops it; the report is written all the same."""
    before = _state(huts)
    report = tmp_path / "r.json"
    hook = hook_into(tmp_path / "hook", "make", f"os.kill(os.getpid(), {int(number)})", after=True)
    process = start(huts.arguments("--report", str(report)), hook=hook)
    _, errors = process.communicate(timeout=240)
    assert process.returncode == 128 + number, errors
    assert copies_on(huts.dsn) == []
    _wait_until_alone(huts)
    assert differences(before, _state(huts)) == set()
    account = json.loads(report.read_text())["trials"]
    assert any("interrupted" in entry["reason"] for entry in account["not_tried"])


def test_a_second_signal_tells_what_stays(huts: Scene, tmp_path: Path) -> None:
    """Whoever has no patience for the clean-up is told the copies by name; the next trial removes them."""
    press = "os.kill(os.getpid(), signal.SIGINT); time.sleep(1); os.kill(os.getpid(), signal.SIGINT); time.sleep(600)"
    before = _state(huts, shared=False)
    process = start(huts.arguments(), hook=hook_into(tmp_path / "hook", "drop_all", press, after=False))
    _, errors = process.communicate(timeout=240)
    assert process.returncode == 130, errors
    left = copies_on(_postgres(huts))
    assert left
    told = errors.splitlines()[-1]
    assert told.startswith("rowreckon: the copy")
    assert "the next trial there offers to drop" in told
    assert all(name in told for name in left)
    _wait_until_alone(huts)
    assert differences(before, _state(huts, shared=False)) == set()
    rowreckon_long(*huts.arguments("--remedy", "99", "--yes"))
    assert copies_on(huts.dsn) == []


def test_a_session_on_the_source(huts: Scene) -> None:
    """Nobody's session is ended for a copy: the trial says which one stands in the way, and changes nothing."""
    with huts.connect() as other:
        other.execute("set application_name = 'hut warden'")
        done = rowreckon_long(*huts.arguments("--yes"))
        assert done.returncode == 2
        assert "hut warden" in done.stderr
        assert other.execute("select 1").fetchone() == (1,)
    assert copies_on(huts.dsn) == []


def test_space_and_budget(huts: Scene, tmp_path: Path) -> None:
    """What does not fit is not begun, and what was not tried is named."""
    done = rowreckon_long(*huts.arguments("--space", "1MB"))
    assert done.returncode == 2
    assert "does not fit" in done.stderr
    report = tmp_path / "r.json"
    done = rowreckon_long(*huts.arguments("--budget", "1ms", "--report", str(report)))
    # changes that were asked for and not tried
    assert done.returncode == 2, done.stderr
    audit = json.loads(report.read_text())
    reasons = [entry["reason"] for entry in audit["trials"]["not_tried"]]
    assert len(reasons) == len(audit["remedies"])
    assert all("time was spent" in reason for reason in reasons)
    assert all(remedy["trial"] is None for remedy in audit["remedies"])


def test_one_copy_at_a_time(huts: Scene, tmp_path: Path) -> None:
    """Where two copies don't fit, one is made afresh for each block; the verdict is the same."""
    with huts.connect() as connection:
        row = connection.execute("select pg_database_size(current_database()) / 1024").fetchone()
    assert row is not None
    report = tmp_path / "r.json"
    before = _state(huts)
    done = rowreckon_long(
        *huts.arguments("--space", f"{int(str(row[0])) * 3 // 2}kB", "--remedy", "1", "--report", str(report))
    )
    assert done.returncode == 0, done.stderr
    assert "one at a time" in done.stderr
    assert differences(before, _state(huts)) == set()
    audit = json.loads(report.read_text())
    assert [r["trial"]["rank_before"] for r in audit["remedies"] if r["trial"]] == [1]


def _postgres(huts: Scene) -> str:
    """The server's other database: a session on the source would keep it from being copied."""
    return psycopg.conninfo.make_conninfo(huts.dsn, dbname="postgres")


def _wait_until_alone(huts: Scene) -> None:
    """Until the server has noticed that its client is gone."""
    with psycopg.connect(_postgres(huts), autocommit=True) as connection:
        query = b"select 1 from pg_stat_activity where application_name = 'rowreckon' and state is not null"
        for _ in turns("the server to notice"):
            if connection.execute(query).fetchone() is None:
                return
