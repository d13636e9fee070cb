"""Ctrl-C, kill and kill -9 at random moments of a sweep and of a trial.

The first two write the report and leave nothing; the last leaves at most copies, which the next trial names. Whatever
comes, the source is as it was. The seed is the day's unless ROWRECKON_SIGNAL_SEED names one.
"""

from __future__ import annotations

import contextlib
import datetime
import json
import os
import random
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest
from psycopg import sql
from psycopg.conninfo import make_conninfo

from tests.waiting import turns

from .scene import Scene, copies_on, scene, start
from .source_state import differences, state_of

FEW, MANY = 12, 500
SEED = int(os.environ.get("ROWRECKON_SIGNAL_SEED") or datetime.date.today().strftime("%Y%m%d"))
SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGKILL)
STATUS = {signal.SIGINT: 130, signal.SIGTERM: 143, signal.SIGKILL: -9}


@pytest.fixture(scope="module")
def huts(server: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scene]:
    """A database with one stale table and its list."""
    folder = tmp_path_factory.mktemp("signals")
    with scene(server, folder, name="rr_signals", faults=("stale_new_status",)) as made:
        yield made


def _arguments(huts: Scene, command: str, report: Path, folder: Path) -> list[str]:
    if command == "trial":
        return huts.arguments("--yes", "--report", str(report))
    return ["sweep", str(huts.queries), "--dsn", huts.dsn, "--save", str(folder), "--report", str(report)]


def _state(huts: Scene) -> dict[str, Any]:
    with huts.connect() as connection:
        return state_of(connection, shared=False)


def _elsewhere(huts: Scene) -> psycopg.Connection[tuple[object, ...]]:
    return psycopg.connect(make_conninfo(huts.dsn, dbname="postgres"), autocommit=True)


def _wait_until_alone(huts: Scene) -> None:
    """Until the server has noticed that its client is gone; at most a query's time, which is bounded by the list."""
    query = "select count(*) from pg_stat_activity where application_name = 'rowreckon'"
    with _elsewhere(huts) as watcher:
        for _ in turns("the tool's sessions to end"):
            if watcher.execute(query).fetchone() == (0,):
                return


def _drop_what_was_left(huts: Scene) -> None:
    """What kill -9 is documented to leave."""
    with _elsewhere(huts) as admin:
        for name in copies_on(make_conninfo(huts.dsn, dbname="postgres")):
            admin.execute(sql.SQL("drop database {} with (force)").format(sql.Identifier(name)))


def _whole_ms(huts: Scene, command: str, folder: Path) -> float:
    """How long the command takes here and now, so that the moments are spread over all of it."""
    begun = time.monotonic()
    process = start(_arguments(huts, command, folder / "whole.json", folder / "whole"))
    out, err = process.communicate(timeout=300)
    assert process.returncode == 0, (out, err)
    return (time.monotonic() - begun) * 1000.0


def _signalled(huts: Scene, command: str, number: signal.Signals, wait_ms: float, folder: Path) -> str:
    """One run with a signal so many ms after its start; what came of it."""
    folder.mkdir()
    report = folder / "r.json"
    process = start(_arguments(huts, command, report, folder / "captures"))
    with contextlib.suppress(subprocess.TimeoutExpired):
        process.wait(wait_ms / 1000.0)
    if process.poll() is not None:
        process.communicate()
        return "ended before"
    begun, connected = _loaded(process), _is_connected(huts)
    process.send_signal(number)
    out, err = process.communicate(timeout=120)
    if process.returncode == 0 or not begun:
        return "ended before" if process.returncode == 0 else "hardly started"
    assert process.returncode == STATUS[number], (number, wait_ms, process.returncode, out, err)
    assert "Traceback" not in err, err
    if number == signal.SIGKILL:
        return "killed"
    # from its first connection on there is something to report, if only what was not run
    assert report.exists() or not connected, (SEED, command, number, wait_ms, out, err)
    if not report.exists():
        return "before it was connected"
    json.loads(report.read_text())
    return "reported"


def _is_connected(huts: Scene) -> bool:
    with _elsewhere(huts) as watcher:
        query = "select from pg_stat_activity where application_name = 'rowreckon' and datname = 'rr_signals'"
        return bool(watcher.execute(query).fetchall())


def _loaded(process: subprocess.Popen[str]) -> bool:
    """Whether the command's own code runs yet: before, a signal meets the bare interpreter."""
    with contextlib.suppress(OSError):
        return "psycopg" in Path(f"/proc/{process.pid}/maps").read_text()
    return False


def _run(huts: Scene, folder: Path, count: int) -> dict[str, int]:
    draw = random.Random(SEED)
    whole = {command: _whole_ms(huts, command, folder) for command in ("sweep", "trial")}
    before = _state(huts)
    found: dict[str, int] = {}
    for number in range(count):
        command = "sweep" if number % 3 == 0 else "trial"
        chosen = SIGNALS[number % 3] if number % 2 else draw.choice(SIGNALS)
        wait_ms = draw.uniform(0.1, 0.95) * whole[command]
        came = _signalled(huts, command, chosen, wait_ms, folder / str(number))
        _wait_until_alone(huts)
        left = copies_on(make_conninfo(huts.dsn, dbname="postgres"))
        if chosen == signal.SIGKILL:
            _drop_what_was_left(huts)
        else:
            assert left == [], (SEED, number, command, chosen, wait_ms)
        assert list((folder / str(number)).rglob("*.part*")) == [] or chosen == signal.SIGKILL
        assert differences(before, _state(huts)) == set(), (SEED, number, command, chosen, wait_ms)
        print(f"{number}: {command}, {chosen.name} after {wait_ms:.0f} of {whole[command]:.0f} ms: {came}")
        key = f"{command}, {chosen.name}: {came}"
        found[key] = found.get(key, 0) + 1
    print(f"{count} signals of seed {SEED}: {found}")
    return found


def test_signals_at_random(huts: Scene, tmp_path: Path) -> None:
    """A dozen."""
    assert sum(_run(huts, tmp_path, FEW).values()) == FEW


@pytest.mark.full
def test_signals_at_random_in_full(huts: Scene, tmp_path: Path) -> None:
    """Five hundred; reports are among what came of them."""
    found = _run(huts, tmp_path, MANY)
    assert any("reported" in key for key in found)
