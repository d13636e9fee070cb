"""Sessions that the server ends, databases that only look like copies, and where a copy's space is."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
from psycopg import sql
from psycopg.conninfo import make_conninfo

from rowreckon.auditing import audit
from rowreckon.document.audit import Finding, FindingRef, Plan, Remedy
from rowreckon.errors import StatementFailed
from rowreckon.server.connecting.connection import Connection, connected
from rowreckon.server.lists.querylist import read_query_list
from rowreckon.server.trials.copies import Copies, copies
from rowreckon.server.trials.leftovers import drop_leftover, find_leftovers, hold
from rowreckon.server.trials.names import COMMENT, new_name
from rowreckon.server.trials.read_price import read_price
from rowreckon.server.trials.rules import TrialRules
from rowreckon.server.trials.session import TrialSession
from rowreckon.server.trials.to_database import connector_to
from rowreckon.trial.planning import attempts_of
from rowreckon.trial.price import needs_word, price_lines
from tests.cli.running import rowreckon_long

from .scene import scene

MARK = COMMENT.format(source="huts", when="2026-01-01T00:00:00+00:00")
LIST = "-- name: one\nselect count(*) from stays where hut = 3;\n"


@pytest.fixture(scope="module")
def huts(database: str) -> str:
    """A small database."""
    with psycopg.connect(database, autocommit=True) as connection:
        connection.execute("create table stays(id integer, hut integer)")
        connection.execute("insert into stays select i, i % 90 from generate_series(1, 3000) i")
        connection.execute("analyze stays")
    return database


def _session(dsn: str, ending: set[str]) -> TrialSession:
    """A trial of three changes in which the sessions of the tool are ended once at each of these steps."""
    remedies = tuple(
        Remedy(
            rank=rank,
            kind="new_index",
            sql=(f"CREATE INDEX tried_{rank} ON stays (hut)",),
            transactional=True,
            confidence=0.9,
            reason=f"change {rank}",
            tables=("public.stays",),
            findings=(FindingRef(plan=0, finding=0),),
        )
        for rank in (1, 2, 3)
    )
    finding = Finding(code="missing_join_index", confidence=0.9, basis="catalog", summary="")
    plan = Plan(source="one", analyzed=True, findings=(finding,))
    result = audit([]).model_copy(update={"plans": (plan,), "remedies": remedies})

    def step(what: str, _done: int, _whole: int) -> None:
        for wanted in list(ending):
            if what.startswith(wanted):
                ending.remove(wanted)
                with psycopg.connect(make_conninfo(dsn, dbname="postgres"), autocommit=True) as killer:
                    killer.execute(
                        "select pg_terminate_backend(pid, 5000) from pg_stat_activity"
                        " where application_name = 'rowreckon'"
                    )

    rules = TrialRules(least_rounds=1, most_rounds=1, least_ms=300.0, samples=1)
    return TrialSession(connector_to(dsn), read_query_list(LIST), (), result, attempts_of(result, ()), rules, step)


@pytest.mark.parametrize("step", ["change 2: one without it", "applying change 2"])
def test_in_place_the_trial_goes_on(huts: str, step: str) -> None:
    """The change at which the connection was lost is named with the reason; the others are tried."""
    with connected(huts) as connection:
        tried = _session(huts, {step}).in_place(connection)
    account = tried.audit.trials
    assert account is not None
    (entry,) = account.not_tried
    assert "connection to the server was lost" in entry.reason
    done = [r for r in tried.audit.remedies if r.trial is not None]
    assert len(done) == 2
    assert all(r.trial is not None and r.trial.verdict != "not_applied" for r in done)
    with psycopg.connect(huts) as connection:
        assert connection.execute("select from pg_class where relname like 'tried%'").fetchall() == []


@pytest.mark.parametrize("step", ["copying for change 2", "applying change 2", "change 2: one"])
def test_on_copies_the_trial_goes_on(huts: str, step: str) -> None:
    """Likewise, and no copy stays."""
    with connected(huts) as admin:
        tried = _session(huts, {step}).on_copies(admin, admin.info.dbname, 8_000.0, pair=True)
    account = tried.audit.trials
    assert account is not None
    assert all("connection to the server was lost" in entry.reason for entry in account.not_tried)
    done = [r for r in tried.audit.remedies if r.trial is not None]
    # a connection that was lost while nothing ran over it is made anew, and nothing goes untried
    assert len(done) + len(account.not_tried) == 3
    assert len(done) >= 2
    assert account.notes == ()
    with connected(huts) as connection:
        assert find_leftovers(connection) == ()


def test_idle_sessions_stay(huts: str) -> None:
    """Where the server ends sessions that are idle for a moment, all changes are tried all the same."""
    with psycopg.connect(huts, autocommit=True) as owner:
        name = sql.Identifier(owner.info.dbname)
        owner.execute(sql.SQL("alter database {} set idle_session_timeout = '50ms'").format(name))
        try:
            with connector_to(huts)(None) as admin:
                owner.close()
                tried = _session(huts, set()).on_copies(admin, admin.info.dbname, 8_000.0, pair=True)
        finally:
            with psycopg.connect(huts, autocommit=True) as again:
                again.execute(sql.SQL("alter database {} reset idle_session_timeout").format(name))
    assert tried.audit.trials is not None
    assert tried.audit.trials.not_tried == ()


@pytest.mark.parametrize("failures", [2, 6])
def test_a_copy_is_dropped_once_there_is_room(huts: str, monkeypatch: pytest.MonkeyPatch, failures: int) -> None:
    """A checkpoint that fails, as on a full disk, keeps a copy from being dropped for now: it is tried again."""
    real, left = Copies._drop, [failures]

    def fails_at_first(self: Copies, connection: Connection, name: str) -> None:
        if left[0] > 0:
            left[0] -= 1
            raise psycopg.errors.DiskFull("checkpoint request failed")
        real(self, connection, name)

    monkeypatch.setattr(Copies, "_drop", fails_at_first)
    monkeypatch.setattr("time.sleep", lambda _: None)
    with connected(huts) as admin:
        with copies(connector_to(huts), admin, admin.info.dbname, 8_000.0) as maker:
            name = maker.make()
        assert maker.notes == []
    assert not _exists(huts, name)


@pytest.fixture
def lookalike(huts: str) -> Iterator[str]:
    """A database with the name of a copy and nothing else of one."""
    name = new_name()
    with psycopg.connect(huts, autocommit=True) as connection:
        connection.execute(sql.SQL("create database {} template template0").format(sql.Identifier(name)))
        yield name
        connection.execute(sql.SQL("drop database if exists {}").format(sql.Identifier(name)))


def _exists(dsn: str, name: str) -> bool:
    with psycopg.connect(dsn) as connection:
        return bool(connection.execute("select from pg_database where datname = %s", (name,)).fetchall())


@pytest.mark.parametrize("comment", [None, "the warden's own", MARK.replace("rowreckon: a copy", "a copy")])
def test_without_the_mark_it_is_not_dropped(huts: str, lookalike: str, comment: str | None) -> None:
    """A name is no proof: somebody else's database of such a name stays, whatever was answered."""
    with connected(huts) as connection:
        connection.execute(
            sql.SQL("comment on database {} is {}").format(sql.Identifier(lookalike), sql.Literal(comment))
        )
        (found,) = [each for each in find_leftovers(connection) if each.name == lookalike]
        assert not found.marked
        assert "mark" in (drop_leftover(connection, found) or "")
        with copies(connector_to(huts), connection, connection.info.dbname, 8_000.0) as maker:
            maker.alive.append(lookalike)
            with pytest.raises(StatementFailed, match="is not dropped"):
                maker.drop(lookalike)
            maker.alive.remove(lookalike)
    assert _exists(huts, lookalike)


def test_of_another_owner_it_is_not_dropped(huts: str, lookalike: str) -> None:
    """The mark can be written by anybody who owns a database: the owner has to be a copy's as well."""
    with connected(huts) as connection:
        connection.execute("create role stranger")
        name = sql.Identifier(lookalike)
        connection.execute(sql.SQL("comment on database {} is {}").format(name, sql.Literal(MARK)))
        (found,) = [each for each in find_leftovers(connection) if each.name == lookalike]
        assert found.marked
        assert found.owned
        connection.execute(sql.SQL("alter database {} owner to stranger").format(name))
        assert "owner" in (drop_leftover(connection, found) or "")
        assert _exists(huts, lookalike)
        connection.execute(sql.SQL("alter database {} owner to current_user").format(name))
        connection.execute("drop role stranger")


def test_what_another_trial_holds_is_not_dropped(huts: str, lookalike: str) -> None:
    """Two trials at once: the other's copy is no leftover, nor is it dropped if it was one a moment ago."""
    with connected(huts) as mine, connected(huts) as other:
        mine.execute(sql.SQL("comment on database {} is {}").format(sql.Identifier(lookalike), sql.Literal(MARK)))
        (found,) = [each for each in find_leftovers(mine) if each.name == lookalike]
        hold(other, lookalike)
        assert lookalike not in [each.name for each in find_leftovers(mine)]
        assert drop_leftover(mine, found) == "a running trial holds it"
        assert _exists(huts, lookalike)
        other.close()
        assert drop_leftover(mine, found) is None
    assert not _exists(huts, lookalike)


def test_space_on_the_tablespaces_own_volume(server: str) -> None:
    """A copy lies in the tablespace of its source: what is free there counts, not what is in the data folder."""
    if not Path("/dev/shm").is_dir():
        pytest.skip("the system has no second volume to make a tablespace on")
    folder = Path("/dev/shm") / f"rowreckon-{os.getpid()}"
    folder.mkdir()
    with psycopg.connect(server, autocommit=True) as connection:
        row = connection.execute("select current_setting('data_directory')").fetchone()
        assert row is not None
        owner = Path(str(row[0])).stat()
        shutil.chown(folder, owner.st_uid, owner.st_gid)
        connection.execute(sql.SQL("create tablespace elsewhere location {}").format(sql.Literal(str(folder))))
        connection.execute("create database far template template0 tablespace elsewhere")
        try:
            with connected(make_conninfo(server, dbname="far")) as far:
                price = read_price(far)
            there, here = os.statvfs(folder), os.statvfs(str(row[0]))
            free = there.f_bavail * there.f_frsize / 1024.0
            assert there.f_blocks != here.f_blocks
            assert price.free_kb == pytest.approx(free, rel=0.1)
        finally:
            connection.execute("drop database far")
            connection.execute("drop tablespace elsewhere")
            folder.rmdir()


def test_what_is_free_and_cannot_be_known(huts: str) -> None:
    """A plain role is not told where the data lie: that is said, and somebody is asked even for a small copy."""
    with psycopg.connect(huts, autocommit=True) as connection:
        connection.execute("create role plain login")
        with connected(make_conninfo(huts, user="plain")) as plain:
            unknown = read_price(plain)
        connection.execute("drop role plain")
        with connected(huts) as owner:
            known = read_price(owner)
    assert unknown.free_kb is None
    assert needs_word(unknown, 1, 1e9)
    assert any("cannot be known from here" in line for line in price_lines(unknown, 1))
    assert known.free_kb is not None
    assert not needs_word(known, 1, 1e9)


@pytest.mark.parametrize(("encoding", "how"), [("LATIN1", ()), ("SQL_ASCII", ()), ("SQL_ASCII", ("--in-place",))])
def test_other_encodings(server: str, tmp_path: Path, encoding: str, how: tuple[str, ...]) -> None:
    """A database in LATIN1 is tried like any other; in one whose bytes mean nothing certain nothing is tried."""
    with scene(server, tmp_path, name=f"hut {encoding}", faults=("stale_new_status",), encoding=encoding) as made:
        done = rowreckon_long(*made.arguments("--yes", *how, "--report", str(tmp_path / "r.json")))
        err = done.stderr
    if encoding == "SQL_ASCII":
        assert done.returncode == 2
        assert "its encoding is SQL_ASCII" in err
    else:
        audit_document = json.loads((tmp_path / "r.json").read_text())
        assert any(r["trial"] and r["trial"]["verdict"] == "helped" for r in audit_document["remedies"]), err
