"""Ctrl-C, kill and kill -9 at the steps of a sweep and of a trial.

The first two write the report and leave nothing; the last leaves at most copies, which the next trial names. Whatever
comes, the source is as it was. The steps are the command's own (`stepping.py`): each place in it is met in the full
run, in an order and at a turn drawn by a seed, the day's unless ROWRECKON_SIGNAL_SEED names one.
"""

from __future__ import annotations

import datetime
import json
import os
import random
import signal
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psycopg
import pytest
from psycopg import sql
from psycopg.conninfo import make_conninfo

from tests.waiting import turns

from .scene import Scene, copies_on, scene, start
from .source_state import differences, state_of
from .stepping import Step, followed, sent_when_connected, steps_in

FEW, LEAST = 8, 500
SEED = int(os.environ.get("ROWRECKON_SIGNAL_SEED") or datetime.date.today().strftime("%Y%m%d"))
SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGKILL)
STATUS = {signal.SIGINT: 130, signal.SIGTERM: 143, signal.SIGKILL: -9}


@dataclass(frozen=True, slots=True)
class Moment:
    """What is sent to which command, and where in it."""

    command: str
    step: Step
    number: signal.Signals


@pytest.fixture(scope="module")
def huts(server: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scene]:
    """A database with one stale table and its list."""
    folder = tmp_path_factory.mktemp("signals")
    with scene(server, folder, name="rr_signals", faults=("stale_new_status",)) as made:
        yield made


@pytest.fixture(scope="module")
def moments(huts: Scene, tmp_path_factory: pytest.TempPathFactory) -> list[Moment]:
    """One for each place in a sweep and in a trial, in the seed's order."""
    draw = random.Random(SEED)
    found: list[Moment] = []
    for command in ("sweep", "trial"):
        folder = tmp_path_factory.mktemp(command)
        process = start(_arguments(huts, command, folder), hook=followed(folder / "hook"))
        out, err = process.communicate(timeout=300)
        assert process.returncode == 0, (out, err)
        places = steps_in(folder / "hook")
        found += [Moment(command, Step(p, draw.randint(1, times)), draw.choice(SIGNALS)) for p, times in places.items()]
    draw.shuffle(found)
    return found


def _arguments(huts: Scene, command: str, folder: Path) -> list[str]:
    report = str(folder / "r.json")
    if command == "trial":
        return huts.arguments("--yes", "--report", report)
    return ["sweep", str(huts.queries), "--dsn", huts.dsn, "--save", str(folder / "captures"), "--report", report]


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


def _signalled(huts: Scene, moment: Moment, folder: Path) -> str:
    """One run with a signal at its moment; what came of it."""
    folder.mkdir()
    hook, report = folder / "hook", folder / "r.json"
    process = start(_arguments(huts, moment.command, folder), hook=followed(hook, moment.step, moment.number))
    out, err = process.communicate(timeout=120)
    connected = sent_when_connected(hook)
    said = (SEED, moment, process.returncode, out, err)
    assert "Traceback" not in err, said
    assert "a defect of rowreckon" not in f"{out} {err}", said
    if connected is None:
        # a trial makes as many runs as its figures need: it may come to a place less often than before
        assert process.returncode == 0, said
        return "ended before"
    assert process.returncode == STATUS[moment.number], said
    if moment.number == signal.SIGKILL:
        return "killed"
    # from its first connection on there is something to report, if only what was not run
    assert report.exists() or not connected, said
    if not report.exists():
        return "before it was connected"
    json.loads(report.read_text())
    return "reported"


def _run(huts: Scene, folder: Path, moments: list[Moment]) -> Counter[str]:
    before = _state(huts)
    found: Counter[str] = Counter()
    for at, moment in enumerate(moments):
        came = _signalled(huts, moment, folder / str(at))
        _wait_until_alone(huts)
        left = copies_on(make_conninfo(huts.dsn, dbname="postgres"))
        if moment.number == signal.SIGKILL:
            _drop_what_was_left(huts)
        else:
            assert left == [], (SEED, moment)
            assert list((folder / str(at)).rglob("*.part*")) == [], (SEED, moment)
        assert differences(before, _state(huts)) == set(), (SEED, moment)
        print(f"{at}: {moment}: {came}")
        found[f"{moment.command}, {moment.number.name}: {came}"] += 1
    print(f"{len(moments)} signals of seed {SEED}: {dict(found)}")
    return found


def test_signals_at_random_steps(huts: Scene, moments: list[Moment], tmp_path: Path) -> None:
    """Eight."""
    assert _run(huts, tmp_path, moments[:FEW]).total() == FEW


@pytest.mark.full
def test_signals_at_every_step(huts: Scene, moments: list[Moment], tmp_path: Path) -> None:
    """Every place, more than five hundred; nearly all are met, and reports are among what came of them."""
    found = _run(huts, tmp_path, moments)
    assert found.total() == len(moments) > LEAST
    assert sum(times for came, times in found.items() if "ended before" in came) < len(moments) // 10
    assert any("reported" in came for came in found)
