"""SIGKILL while a stand-in is made or asked: its server ends by itself, and the next start removes its folder.

The places are all steps of a stand-in's life; one is drawn in each run (`ROWRECKON_SIGNAL_SEED`), all in the full run.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import psycopg
import pytest

from rowreckon.server.connecting.connection import connected
from rowreckon.server.own.account import server_account
from rowreckon.server.own.rundir import cache_folder, new_run_folder
from tests.servers.databases import fresh_database

from .test_same_plans import build, facts_of

SCRIPT = """
create table huts (id int primary key, name text);
insert into huts select i, 'Hut ' || i % 50 from generate_series(1, 3000) i;
create statistics together on id, name from huts;
analyze huts;
"""
PLACES = (
    *("home.init_data", "home.Home.start", "standing.make_database", "standing.make_roles"),
    *("standing.run_definitions", "standing.insert_ends", "standing.write_statistics", "standing.write_extended"),
    *("standing.write_rights", "home.Home.end_in_order", "standing.set_lengths", "standing.planner"),
    *("planning.Planner.plan", "home.Home.leave"),
)
CHILD = """
import os, signal, sys
from pathlib import Path
from rowreckon.server.stand_in import home, planning, standing
from rowreckon.stand_in.facts import stand_in_facts

def killed(*given, **named):
    os.kill(os.getpid(), signal.SIGKILL)

*owner, name = sys.argv[3].split(".")
place = {"home": home, "planning": planning, "standing": standing}[owner[0]]
for step in owner[1:]:
    place = getattr(place, step)
setattr(place, name, killed)
home.cache_folder = lambda: Path(sys.argv[2])
with standing.stand_in(stand_in_facts(Path(sys.argv[1]).read_text())) as there:
    there.planner.plan("select * from huts", {})
"""


@pytest.fixture(scope="module")
def facts(server: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file with the facts of a small database."""
    path = tmp_path_factory.mktemp("killed") / "facts.json"
    with fresh_database(server) as dsn:
        with psycopg.connect(dsn, autocommit=True) as loading:
            build(loading, SCRIPT)
        with connected(dsn) as source:
            path.write_text(facts_of(source, ["select * from huts"]).model_dump_json(by_alias=True))
    return path


@pytest.fixture
def cache() -> Iterator[Path]:
    """A cache folder that an account without rights reaches."""
    folder = cache_folder() / f"killed-{os.getpid()}"
    yield folder
    shutil.rmtree(folder, ignore_errors=True)


def kill_at(place: str, facts: Path, cache: Path) -> None:
    """End a run there; afterwards the next start finds and leaves nothing."""
    command = [sys.executable, "-c", CHILD, str(facts), str(cache), place]
    done = subprocess.run(command, check=False, timeout=300)
    assert done.returncode == -signal.SIGKILL
    assert len(list((cache / "servers").glob("run-*"))) == 1

    new_run_folder(cache / "servers", server_account()).remove()
    assert list((cache / "servers").glob("run-*")) == []
    assert list(cache.glob("copying-*")) == []
    assert running_below(cache) == []


def running_below(folder: Path) -> list[str]:
    """Commands of processes that name the folder."""
    found: list[str] = []
    for entry in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = entry.read_bytes().replace(b"\0", b" ").decode(errors="replace")
        except OSError:
            continue
        if str(folder) in words:
            found.append(words)
    return found


@pytest.mark.server
def test_nothing_stays_after_a_kill(facts: Path, cache: Path) -> None:
    """At one place, drawn by the day."""
    seed = os.environ.get("ROWRECKON_SIGNAL_SEED") or date.today().isoformat()
    kill_at(random.Random(seed).choice(PLACES), facts, cache)


@pytest.mark.full
@pytest.mark.server
@pytest.mark.parametrize("place", PLACES)
def test_nothing_stays_after_a_kill_anywhere(facts: Path, cache: Path, place: str) -> None:
    """At each place."""
    kill_at(place, facts, cache)


@pytest.mark.full
@pytest.mark.server
def test_nothing_stays_after_a_kill_at_any_moment(facts: Path, cache: Path) -> None:
    """At the n-th line of Python that a thread of the run comes to, for twenty random n."""
    dice = random.Random(os.environ.get("ROWRECKON_SIGNAL_SEED") or date.today().isoformat())
    for _ in range(20):
        lines = dice.randrange(1_000, 120_000)
        code = CHILD[: CHILD.index("*owner")] + TRACE + CHILD[CHILD.index("home.cache_folder") :]
        command = [sys.executable, "-c", code, str(facts), str(cache), str(lines)]
        done = subprocess.run(command, check=False, timeout=300)
        assert done.returncode in (-signal.SIGKILL, 0)
        new_run_folder(cache / "servers", server_account()).remove()
        assert list((cache / "servers").glob("run-*")) == []
        assert running_below(cache) == []


TRACE = """
left = int(sys.argv[3])

def count(frame, event, argument):
    global left
    left -= 1
    if left < 0:
        killed()
    return count

sys.settrace(count)
"""
