"""Captures, answers and parameter files that somebody spoiled: one sentence or a result, and never a crash.

The seed is the day's unless ROWRECKON_FUZZ_SEED names one; the number of a file and the seed make it again.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import os
import random
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psycopg
import pytest

from rowreckon import audit, render
from rowreckon.api import Format
from rowreckon.capture import Capture
from rowreckon.captures.capture_file import capture_to_document, write_capture
from rowreckon.captures.masking import mask_capture
from rowreckon.catalog import ask as asking
from rowreckon.catalog.answers.catalogs import catalogs_from_answer
from rowreckon.catalog.facts import Catalog
from rowreckon.cli.facts.sources import facts_of_answer
from rowreckon.errors import RowreckonError
from rowreckon.intake import read_path, read_text
from rowreckon.plan.tree import lay_out
from rowreckon.server.lists.lists import read_lists
from rowreckon.server.sweeping import facts
from tests.waiting import processor_limit

from .spoiling import as_text, spoiled, spoiled_bytes

FORMS: tuple[Format, ...] = ("text", "markdown", "html")
FEW, MANY = 400, 33_400
SEED = int(os.environ.get("ROWRECKON_FUZZ_SEED") or datetime.date.today().strftime("%Y%m%d"))
SETUP = """
create table huts(id integer primary key, name text, region text, city text, opened date);
insert into huts select i, 'hut ' || i, 'r' || i % 9, 'c' || i % 27, date '2000-01-01' + i
  from generate_series(1, 3000) i;
create table stays(id integer, hut_id integer references huts, guest text, nights integer) partition by range (id);
create table stays_1 partition of stays for values from (0) to (20000);
create table stays_2 partition of stays for values from (20000) to (90000);
insert into stays select i, i % 3000 + 1, 'g' || i % 700, i % 7 from generate_series(1, 40000) i;
create index stays_1_hut on stays_1 (hut_id, (nights + 1)) where nights > 2;
create statistics huts_places (dependencies, ndistinct, mcv) on region, city from huts;
create function arrivals(integer) returns setof integer language plpgsql stable as
  'begin return query select generate_series(1, $1); end';
analyze;
"""
QUERIES = (
    "select count(*), max(h.name) from huts h join stays_1 s on s.hut_id = h.id"
    " where h.region = 'r1' and h.city = 'c1'",
    "select count(*) from arrivals(5) a join stays s on s.hut_id = a where s.nights > 2 and s.nights + 1 < 5",
)
PARAMETERS = """[stays-of-a-hut]
busy = [17, 2026-08-01, "x", [1, 2, {}], true, 1.5]
quiet = [3, 2026-02-01T10:00:00Z, "y", [], false, 1e9]
"""
LIST = "-- name: stays-of-a-hut\nselect count(*) from stays where id = $1 and guest = $3;\n"


@dataclass(frozen=True)
class Seeds:
    """What is spoiled: a capture's and an answer's document, a plan, and a parameter file."""

    captures: tuple[dict[str, Any], ...]
    answer: dict[str, Any]
    plans: str


@pytest.fixture(scope="module")
def seeds(database: str) -> Seeds:
    """Real ones, of a live server: partitions, partial and expression indexes, statistics objects, a function."""
    answers: list[Any] = []

    def keep(answer: Any) -> tuple[Catalog, ...]:
        answers.append(answer)
        return catalogs_from_answer(answer)

    with psycopg.connect(database, autocommit=True) as connection, pytest.MonkeyPatch.context() as patch:
        patch.setattr(facts, "catalogs_from_answer", keep)
        for statement in SETUP.split(";\n"):
            connection.execute(statement.encode())
        plans = []
        for query in QUERIES:
            row = connection.execute(
                f"explain (analyze, verbose, buffers, settings, format json) {query}".encode()
            ).fetchone()
            assert row is not None
            plans.append(row[0][0])
        text = json.dumps(plans)
        found = [c for c in read_text(text) if isinstance(c, Capture) and c.explain is not None]
        trees = [lay_out(c.explain.plan) for c in found if c.explain]
        catalogs = facts.read_catalogs(connection, trees, trust="file")
    documents = []
    for capture, catalog in zip(found, catalogs, strict=True):
        whole = capture.model_copy(update={"catalog": catalog})
        document = capture_to_document(whole)
        document["session"] = {"role": "warden", "database": "huts", "search_path": "public", "settings": {"jit": "on"}}
        document["alternatives"] = [{"switched_off": ["enable_hashjoin"], "explain": document["explain"]}]
        document["probes"] = [{"node": 1, "rows": 12.0, "complete": True}]
        document["contests"] = [{"node": 0, "times_ms": {"hash": 1.5, "merge": None}}]
        document["runs"] = [1.5, 2.5]
        documents.append(document)
    assert {name["name"] for name in answers[0]["names"]} >= {"huts", "stays_1"}
    return Seeds(tuple(documents), answers[0], text)


def _status(work: Callable[[], Any]) -> int:
    """What the command's exit status would be: 2 for one of our own errors. Any other error goes on."""
    try:
        work()
    except RowreckonError as error:
        return 2 if error.sentence() else -1
    return 0


def _whole(inputs: list[Any], *, thorough: bool) -> None:
    result = audit(inputs)
    result.to_json()
    if thorough:
        for form in FORMS:
            render(result, form)
        for capture in inputs:
            if isinstance(capture, Capture):
                mask_capture(capture)


def _capture_status(data: bytes, folder: Path, *, thorough: bool) -> int:
    file = folder / "spoiled.capture.json"
    file.write_bytes(data)
    inputs = read_path(file)
    status = _status(lambda: _whole(inputs, thorough=thorough))
    read = [c for c in inputs if isinstance(c, Capture)]
    if thorough and read:
        _status(lambda: write_capture(read[0], folder / "again.capture.json"))
    return status or (0 if read else 2)


def _answer_status(data: bytes, plans: str, folder: Path, *, thorough: bool) -> int:
    (folder / "plan.json").write_text(plans)
    (folder / "answer.txt").write_bytes(data)

    def work() -> None:
        inputs = facts_of_answer(list(read_path(folder / "plan.json")), folder / "answer.txt")
        _whole(inputs, thorough=thorough)

    return _status(work)


def _parameter_status(data: bytes, folder: Path) -> int:
    (folder / "list.toml").write_bytes(data)
    (folder / "list.sql").write_text(LIST)
    return _status(lambda: read_lists([folder / "list.sql"]))


def _printed(document: str) -> bytes:
    """As `rowreckon ask`'s script prints an answer: with the checksum that fits."""
    body = document.encode("utf-8", "surrogatepass")
    digest = hashlib.md5(body, usedforsecurity=False).hexdigest()
    return b'{"facts_md5": "' + digest.encode() + b'", "answer": ' + body + b"}\n"


def _captures(seeds: Seeds, folder: Path, count: int) -> dict[int, int]:
    def one(draw: random.Random, number: int) -> tuple[bytes, int]:
        document = draw.choice(seeds.captures)
        if number % 4:
            data = as_text(spoiled(document, draw)).encode()
        else:
            data = spoiled_bytes(as_text(document).encode(), draw)
        return data, _capture_status(data, folder, thorough=number % 20 == 0)

    return _run(one, "captures", count)


def _answers(seeds: Seeds, folder: Path, count: int) -> dict[int, int]:
    def one(draw: random.Random, number: int) -> tuple[bytes, int]:
        if number % 4:
            data = _printed(as_text(spoiled(seeds.answer, draw)))
        elif number % 8:
            data = _printed(spoiled_bytes(as_text(seeds.answer).encode(), draw).decode("utf-8", "replace"))
        else:
            data = spoiled_bytes(_printed(as_text(seeds.answer)), draw)
        return data, _answer_status(data, seeds.plans, folder, thorough=number % 20 == 0)

    return _run(one, "answers", count)


def _parameters(folder: Path, count: int) -> dict[int, int]:
    def one(draw: random.Random, number: int) -> tuple[bytes, int]:
        data = spoiled_bytes(PARAMETERS.encode(), draw)
        return data, _parameter_status(data, folder)

    return _run(one, "parameters", count)


def _run(one: Callable[[random.Random, int], tuple[bytes, int]], what: str, count: int) -> dict[int, int]:
    """How many files ended with which status. All are tried; a crash at each place is shown once."""
    found: dict[int, int] = {}
    crashes: dict[str, str] = {}
    for number in range(count):
        draw = random.Random(f"{SEED} {what} {number}")
        try:
            with processor_limit():
                _, status = one(draw, number)
        except Exception as error:
            place = str(traceback.extract_tb(error.__traceback__)[-1])
            crashes.setdefault(place, f"{what} {number} of seed {SEED}: {''.join(traceback.format_exception(error))}")
            continue
        found[status] = found.get(status, 0) + 1
    print(f"{what}: {count:,} files of seed {SEED}, by exit status {found}")
    assert not crashes, "\n".join(crashes.values())
    return found


def test_the_seeds_are_read(seeds: Seeds, tmp_path: Path) -> None:
    """What is spoiled is right before: it is read, audited and written."""
    for document in seeds.captures:
        assert _capture_status(as_text(document).encode(), tmp_path, thorough=True) == 0
    assert _answer_status(_printed(as_text(seeds.answer)), seeds.plans, tmp_path, thorough=True) == 0
    assert _parameter_status(PARAMETERS.encode(), tmp_path) == 0
    assert asking.read_answers(_printed(as_text(seeds.answer)).decode())


def test_spoiled_captures(seeds: Seeds, tmp_path: Path) -> None:
    """Some are still audited, the others are refused in a sentence."""
    assert set(_captures(seeds, tmp_path, FEW)) == {0, 2}


def test_spoiled_answers(seeds: Seeds, tmp_path: Path) -> None:
    """Likewise."""
    assert set(_answers(seeds, tmp_path, FEW)) == {0, 2}


def test_spoiled_parameters(tmp_path: Path) -> None:
    """Likewise."""
    assert set(_parameters(tmp_path, 2 * FEW)) == {0, 2}


@pytest.mark.full
def test_spoiled_captures_in_full(seeds: Seeds, tmp_path: Path) -> None:
    """A third of 100,000."""
    assert set(_captures(seeds, tmp_path, MANY)) == {0, 2}


@pytest.mark.full
def test_spoiled_answers_in_full(seeds: Seeds, tmp_path: Path) -> None:
    """A third of 100,000."""
    assert set(_answers(seeds, tmp_path, MANY)) == {0, 2}


@pytest.mark.full
def test_spoiled_parameters_in_full(tmp_path: Path) -> None:
    """A third of 100,000."""
    assert set(_parameters(tmp_path, MANY)) == {0, 2}
