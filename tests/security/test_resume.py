"""`sweep --resume` on kept files that were tampered with, on other databases, and under other settings.

Each kept plan is marked by a count of rows that no run of the query can bring: where it shows, an old verdict was
shown.  Where the tool may show it, it says that the query was not run again.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psycopg
import pytest
from psycopg.conninfo import make_conninfo

from tests.sealing import sealed

from .house import SECRET, House
from .tampering import TEXTS, kinds, tampered
from .tool import Outcome, Watch, outcome, rowreckon

QUERY = "select count(*) from bookings b join payments p on p.booking_id = b.id where b.land = 'land 3'"
OLD = 424242
"""Rows that the kept plan claims; the house has 20,000 bookings."""
SAID = "not run again"

Document = dict[str, Any]


@dataclass(frozen=True)
class Kept:
    """A list, and the capture that a sweep of it kept, its rows changed to `OLD`."""

    query: Path
    capture: Document


@pytest.fixture(scope="module")
def kept(newest_house: House, tmp_path_factory: pytest.TempPathFactory) -> Kept:
    """What everything below starts from."""
    folder = tmp_path_factory.mktemp("kept")
    query = folder / "q.sql"
    query.write_text(f"-- name: join\n{QUERY};\n")
    done = rowreckon("sweep", str(query), "--dsn", newest_house.keeper, "--save", str(folder / "saved"))
    assert done.returncode == 0, done.stderr
    (path,) = (folder / "saved").iterdir()
    return Kept(query, changed(json.loads(path.read_text()), mark))


def nodes(plan: Document) -> Iterator[Document]:
    """The nodes of a plan as EXPLAIN prints it."""
    yield plan
    for below in plan.get("Plans", ()):
        yield from nodes(below)


def resumed(dsn: str, folder: Path, kept: Kept, capture: Document, *options: str, text: str = "") -> Outcome:
    """Sweep the list again with this capture in the folder."""
    saved = folder / "saved"
    saved.mkdir(parents=True, exist_ok=True)
    (saved / "join.capture.json").write_text(sealed(capture))
    query = kept.query
    if text:
        query = folder / "q.sql"
        query.write_text(f"-- name: join\n{text};\n")
    done = rowreckon("sweep", str(query), "--dsn", dsn, "--save", str(saved), "--resume", "--format", "json", *options)
    return outcome(done.returncode, done.stdout, done.stderr)


def shows_old(done: Outcome) -> bool:
    """Whether the kept plan's rows are in the audit."""
    return any(node["actual_rows"] == OLD for plan in done.plans for node in plan["nodes"])


def test_the_twin_is_kept(newest_house: House, watch: Watch, kept: Kept, tmp_path: Path) -> None:
    """The same list, server, database, role and settings: the kept plan is shown, and said to be kept."""
    done = resumed(newest_house.keeper, tmp_path, kept, kept.capture)
    assert shows_old(done)
    assert SAID in done.stderr
    watch.unchanged()


def changed(capture: Document, change: Callable[[Document], object]) -> Document:
    """A copy after this change."""
    document = copy.deepcopy(capture)
    change(document)
    return document


OTHER_RUNS: dict[str, Callable[[Document], object]] = {
    "another query": lambda d: d.update(query="select snare.spring('resume')"),
    "a query more": lambda d: d.update(query=d["query"] + "; select snare.spring('resume')"),
    "no query": lambda d: d.update(query=None),
    "another name": lambda d: d.update(name="other"),
    "another server": lambda d: d["session"]["run"].update(server="0" * 16),
    "another database": lambda d: d["session"]["run"].update(database=1),
    "another login": lambda d: d["session"]["run"].update(login="warden"),
    "other statements": lambda d: d["session"]["run"].update(statements="0" * 16),
    "another limit": lambda d: d["session"]["run"]["limits_ms"].update(statement=1),
    "no limits": lambda d: d["session"]["run"].update(limits_ms=None),
    "no run": lambda d: d["session"].update(run=None),
    "no session": lambda d: d.update(session=None),
    "a run of texts": lambda d: d["session"].update(run="select snare.spring('resume')"),
    "refused before": lambda d: d.update(outcome="refused"),
    "skipped before": lambda d: d.update(outcome="skipped"),
    "an unknown outcome": lambda d: d.update(outcome="select snare.spring('resume')"),
    "another schema": lambda d: d.update(schema="rowreckon.capture/99"),
    "no plan": lambda d: d.update(explain=None),
}
"""Captures of another run than this one."""


@pytest.mark.parametrize("step", [pytest.param(6, id="sample"), pytest.param(1, id="all", marks=pytest.mark.full)])
def test_captures_of_other_runs(newest_house: House, watch: Watch, kept: Kept, tmp_path: Path, step: int) -> None:
    """The query is run anew, or the file is named as wrong; what stands in the file is neither shown nor run."""
    shown = []
    for number, (name, change) in enumerate(list(OTHER_RUNS.items())[::step]):
        done = resumed(newest_house.keeper, tmp_path / str(number), kept, changed(kept.capture, change))
        if shows_old(done):
            shown.append(name)
        assert done.ended.get("join") == "ran" or done.status == 2, name
    assert not shown
    watch.unchanged()


WAYS = {
    "setting": (("--set", "work_mem=1MB"), ""),
    "role": (("--role", "guide"), ""),
    "limit": (("--time-limit", "59s"), ""),
    "writes": (("--allow-writes",), "update trio set n = 424"),
    "another text": ((), f"{QUERY} and b.nights > 0"),
    "a setting of the list": ((), f"set enable_hashjoin = off;\n-- name: join\n{QUERY}"),
    "a call": ((), "select snare.spring('resume')"),
}
"""What differs on the command line or in the list; the kept file is as it was."""


@pytest.mark.parametrize("way", [pytest.param(w, marks=[] if w == "setting" else pytest.mark.full) for w in WAYS])
def test_other_ways_of_running(newest_house: House, watch: Watch, kept: Kept, tmp_path: Path, way: str) -> None:
    """A verdict from before is no verdict of this way of running."""
    options, text = WAYS[way]
    done = resumed(newest_house.keeper, tmp_path, kept, kept.capture, *options, text=text)
    assert not shows_old(done)
    watch.unchanged()


def test_another_database(newest_house: House, watch: Watch, kept: Kept, tmp_path: Path) -> None:
    """One with the same tables beside it, and one of the same name that was made anew."""
    with psycopg.connect(newest_house.superuser, autocommit=True) as owner:
        for turn in range(2):
            owner.execute("create database twin_of_the_house owner keeper template template0")
            there = make_conninfo(newest_house.keeper, dbname="twin_of_the_house")
            try:
                with psycopg.connect(there) as keeper:
                    keeper.execute("create table bookings as select 1 as id, 'land 3' as land")
                    keeper.execute("create table payments as select 1 as booking_id")
                folder = tmp_path / str(turn)
                done = resumed(there, folder, kept, kept.capture)
                assert not shows_old(done)
                assert done.ended == {"join": "ran"}
                (path,) = (folder / "saved").iterdir()
                kept = Kept(kept.query, changed(json.loads(path.read_text()), mark))
                if not turn:
                    assert shows_old(resumed(there, tmp_path / "twin", kept, kept.capture))
            finally:
                owner.execute("drop database twin_of_the_house")
    watch.unchanged()


def mark(document: Document) -> None:
    """Put the rows of no run into the kept plan."""
    for node in nodes(document["explain"][0]["Plan"]):
        node["Actual Rows"] = OLD


@pytest.mark.parametrize("step", [pytest.param(80, id="sample"), pytest.param(2, id="half", marks=pytest.mark.full)])
def test_hostile_texts_in_a_kept_file(newest_house: House, watch: Watch, kept: Kept, tmp_path: Path, step: int) -> None:
    """Every kind of text replaced in turn: nothing of the file is run, whether it is taken or not."""
    ways = kinds(kept.capture, frozenset())
    for number, way in list(enumerate(ways))[::step]:
        text = TEXTS[number % len(TEXTS)].replace("<YARD>", str(newest_house.yard))
        done = resumed(newest_house.keeper, tmp_path / str(number), kept, tampered(kept.capture, way, text))
        assert done.status in (0, 2)
        assert done.plans or done.status == 2
    watch.unchanged()


def test_what_is_no_kept_file(newest_house: House, watch: Watch, kept: Kept, tmp_path: Path) -> None:
    """Links to secrets and to devices in the folder: nothing of them is shown, waited for or written to."""
    secret = tmp_path / "secret"
    secret.write_text(f"keeper:{SECRET}:1\n")
    before = secret.stat()
    for number, target in enumerate((secret, Path("/dev/zero"), Path("/dev/stdin"), tmp_path)):
        saved = tmp_path / str(number) / "saved"
        saved.mkdir(parents=True)
        (saved / "join.capture.json").symlink_to(target)
        command = ("sweep", str(kept.query), "--dsn", newest_house.keeper, "--save", str(saved), "--resume")
        done = rowreckon(*command)
        assert done.returncode in (0, 2)
        assert "Traceback" not in done.stderr
        assert SECRET not in done.stdout + done.stderr
    assert (secret.read_text(), secret.stat().st_mode) == (f"keeper:{SECRET}:1\n", before.st_mode)
    watch.unchanged()
