"""Locks that a run takes: no more than reading takes while it goes on, and none of any kind afterwards."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import psycopg
import pytest

from tests.waiting import turns

from .house import House
from .tool import Attack, Watch, rowreckon, started, sweep

_ROWS = {
    "in a subquery": "select * from (select line from notes for {}) q",
    "in a CTE": "with a as (select line from notes for {}) select * from a",
    "in an expression": "select (select line from notes limit 1 for {})",
    "beside a join": "select n.line from notes n join trio t on true for {} of n",
    "of a union's part": "(select line from notes for {}) union all (select 'x')",
    "in a view": "select * from keeping_{}",
    "without waiting": "select line from notes for {} nowait",
    "skipping": "select line from notes for {} skip locked",
}
_STRENGTHS = ("update", "no key update", "share", "key share")
_ADVISORY = tuple(
    f"pg_{attempt}advisory_{scope}lock{kind}"
    for attempt in ("", "try_")
    for scope in ("", "xact_")
    for kind in ("", "_shared")
)

ROWS: dict[str, tuple[str, str]] = {
    f"{strength}, {place}": (
        statement.format(strength.replace(" ", "_") if "view" in place else strength),
        "select count(*) from notes",
    )
    for place, statement in _ROWS.items()
    for strength in _STRENGTHS
}
OTHERS: dict[str, tuple[str, str]] = {
    **{
        f"{name}({keys})": (f"select {name}({keys})", f"select {keys}") for name in _ADVISORY for keys in ("47", "4, 7")
    },
    "unlock": ("select pg_advisory_unlock(4711)", "select 4711"),
    "unlock all": ("select pg_advisory_unlock_all()", "select 1 as unlock_all"),
    **{
        f"lock in {mode} mode": (f"lock table notes in {mode} mode", f"select '{mode}'")
        for mode in ("access share", "row share", "share update exclusive", "share", "exclusive", "access exclusive")
    },
    "lock of a view": ("lock table door", "select 'lock table door'"),
    "a transaction's number": ("select pg_current_xact_id()", "select pg_current_xact_id_if_assigned()"),
    "an old transaction's number": ("select txid_current()", "select txid_current_if_assigned()"),
}
VIEWS = {f"keeping_{strength.replace(' ', '_')}": strength for strength in _STRENGTHS}


@pytest.fixture
def with_views(newest_house: House) -> Any:
    """Views of the keeper's that lock the rows which they show."""
    with psycopg.connect(newest_house.keeper, autocommit=True) as keeper:
        for name, strength in VIEWS.items():
            keeper.execute(f"create view {name} as select line from notes for {strength}".encode())
        yield
        for name in VIEWS:
            keeper.execute(f"drop view {name}".encode())


def attacks(pairs: dict[str, tuple[str, str]], *, twin: bool = False) -> list[Attack]:
    """One side of the pairs."""
    return [Attack(name, pair[1 if twin else 0]) for name, pair in pairs.items()]


def test_lists_that_lock(with_views: None, newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """Rows, tables, numbers of one's own, in every place: none runs with default flags."""
    hostile = attacks({**ROWS, **OTHERS})
    done = sweep(newest_house, tmp_path / "lists", hostile)
    ran = [one.name for one in hostile if done.ended.get(one.name) == "ran"]
    assert not ran, ran
    twins = attacks({**dict(list(ROWS.items())[:1]), **OTHERS}, twin=True)
    done = sweep(newest_house, tmp_path / "twins", twins)
    assert {done.ended.get(one.name) for one in twins} == {"ran"}, done.stderr
    watch.unchanged()


def test_permitted_locks_end_with_the_query(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """--allow-writes permits rows to be locked; the rollback lets them go, and the next query holds none of them."""
    rows = {name: pair for name, pair in ROWS.items() if "view" not in name and "part" not in name}
    text = "-- name: held by others\nselect 1 / (count(*) = 0)::int from pg_locks where mode <> 'AccessShareLock'"
    text += " and relation = 'notes'::regclass"
    done = sweep(newest_house, tmp_path / "lists", [*attacks(rows), Attack("held by others", text)], "--allow-writes")
    assert done.ended["held by others"] == "ran", done.reasons
    assert sum(ended == "ran" for ended in done.ended.values()) > len(rows) // 2, done.stderr
    watch.unchanged()


HELD = """
select l.locktype, l.mode, l.granted from pg_locks l join pg_stat_activity a using (pid)
where a.usename = 'keeper' and a.application_name not in ('bystander', 'holder') and l.locktype <> 'virtualxid'
"""


@pytest.mark.parametrize(
    "options",
    [(), pytest.param(("--contest", "--probe", "--with-values"), marks=pytest.mark.full)],
    ids=["default", "all"],
)
def test_what_a_sweep_holds(newest_house: House, watch: Watch, tmp_path: Path, options: tuple[str, ...]) -> None:
    """While a query waits for a table that somebody holds, the run's own locks are those of reading."""
    query = tmp_path / "q.sql"
    query.write_text("-- name: waits\nselect count(*) from huts h join notes n on n.line = h.name;\n")
    command = ("sweep", str(query), "--dsn", newest_house.keeper, "--lock-limit", "10min", "--time-limit", "10min")
    with (
        psycopg.connect(newest_house.keeper, application_name="holder") as holder,
        psycopg.connect(newest_house.superuser, autocommit=True) as judge,
    ):
        holder.execute("lock table notes in access exclusive mode")
        with started(*command, *options) as process:
            for _ in turns("the sweep to wait for the table"):
                held = judge.execute(HELD).fetchall()
                if any(not granted for _, _, granted in held):
                    break
                assert process.poll() is None, process.communicate()
            holder.rollback()
            _, stderr = process.communicate()
            assert process.returncode == 0, stderr
    assert {(kind, mode) for kind, mode, _ in held} == {("relation", "AccessShareLock")}
    watch.unchanged()


def test_a_trial_in_place_lets_go(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """Once a trial has ended no lock of its is there, and no session; a waiting one gives up at its limit."""
    query = tmp_path / "q.sql"
    query.write_text(
        "-- name: correlated\nselect count(*) from bookings b join payments p on p.booking_id = b.id"
        " where b.land = 'land 3' and b.city = 'city 3';\n"
    )
    command = ("trial", str(query), "--dsn", newest_house.keeper, "--in-place", "--yes")
    done = rowreckon(*command)
    assert "Traceback" not in done.stderr
    assert "STATISTICS" in done.stdout + done.stderr
    watch.unchanged()
    with psycopg.connect(newest_house.keeper, application_name="holder") as holder:
        holder.execute("lock table bookings in share mode")
        blocked = rowreckon(*command, "--lock-limit", "100ms")
        assert blocked.returncode == 2
        assert "Traceback" not in blocked.stderr
    watch.unchanged()
