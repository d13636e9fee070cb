"""Tampered captures and answers: audited with a server at hand, tried in place, their advice pasted as it stands."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import psycopg
import pytest

from .house import House
from .plans import PlanFile, plan
from .tampering import TEXTS, Way, kinds, tampered
from .tool import Attack, Watch, answered, rowreckon, sweep

QUERIES = {
    "correlated": "select count(*) from bookings b join payments p on p.booking_id = b.id"
    " where b.land = 'land 3' and b.city = 'city 3' and b.nights >= 0",
    "function": "select count(*) from own_nights() n(id) join bookings b on b.id = n.id"
    " join payments p on p.booking_id = b.id",
    "expression": "select count(*) from bookings b join payments p on p.booking_id = b.id"
    " where abs(b.nights) > 1 and (b.land || b.city) like 'land 3city%'",
}
# By name and text a trial finds the capture again; the schema says which version to read.
KEPT: frozenset[Way] = frozenset((key,) for key in ("schema", "name", "query", "outcome", "form", "cache"))


@dataclass(frozen=True)
class Shelf:
    """Captures that a sweep of the three queries saved: by query its text and its capture."""

    captures: dict[str, dict[str, Any]]


@pytest.fixture(scope="module")
def shelf(newest_house: House, tmp_path_factory: pytest.TempPathFactory) -> Shelf:
    """Real captures, to be tampered with."""
    folder = tmp_path_factory.mktemp("shelf")
    attacks = [Attack(name, text) for name, text in QUERIES.items()]
    done = sweep(newest_house, folder / "lists", attacks, "--save", str(folder / "saved"))
    assert set(done.ended.values()) == {"ran"}, done.text
    saved = [json.loads(path.read_text()) for path in (folder / "saved").iterdir()]
    return Shelf({capture["name"].split(": ")[-1]: capture for capture in saved})


def pieces(shelf: Shelf, house: House) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every kind of text of every capture, with the hostile texts by turns."""
    number = 0
    for query, capture in shelf.captures.items():
        for way in kinds(capture, KEPT):
            number += 1
            text = TEXTS[number % len(TEXTS)].replace("<YARD>", str(house.yard))
            name = f"{query} {number} {'.'.join(str(part) for part in way)}"
            yield name, tampered(capture, way, text)


def on_paper(shelf: Shelf, house: House, folder: Path) -> list[Path]:
    """The tampered captures as files."""
    folder.mkdir()
    paths = []
    for number, (_, capture) in enumerate(pieces(shelf, house)):
        paths.append(folder / f"{number:04d}.capture.json")
        paths[-1].write_text(json.dumps(capture))
    return paths


def advice(document: dict[str, Any]) -> Iterator[str]:
    """All SQL that an audit proposes: the change, the variant for a trial, the undo, what to look at first."""
    for remedy in document["remedies"]:
        for key in ("sql", "sql_trial", "undo"):
            yield from remedy[key] or []
        if remedy.get("check_first"):
            yield remedy["check_first"]


def pasted(house: House, statements: list[str]) -> None:
    """Send each statement as psql would where somebody pastes it, in a transaction that is rolled back."""
    with psycopg.connect(house.keeper, autocommit=True, prepare_threshold=None) as session:
        for statement in statements:
            session.execute("begin")
            try:
                session.execute("set local statement_timeout = '5s'")
                session.execute(statement.encode())
            except psycopg.Error:
                session.execute("rollback")
                continue
            session.execute("rollback")


@pytest.mark.parametrize("step", [pytest.param(8, id="sample"), pytest.param(1, id="all", marks=pytest.mark.full)])
def test_captures_with_a_server(newest_house: House, watch: Watch, shelf: Shelf, tmp_path: Path, step: int) -> None:
    """Of 200 tampered captures or more, every eighth or all: nothing is called, and what is proposed can be pasted."""
    paths = on_paper(shelf, newest_house, tmp_path / "captures")
    assert len(paths) >= 200
    done = rowreckon("audit", *map(str, paths[::step]), "--dsn", newest_house.keeper, "--format", "json")
    assert "Traceback" not in done.stderr, done.stderr[-3000:]
    watch.unchanged()
    statements = list(advice(json.loads(done.stdout)))
    assert statements
    pasted(newest_house, statements)
    watch.unchanged()


@pytest.mark.full
def test_captures_on_their_own(newest_house: House, watch: Watch, shelf: Shelf, tmp_path: Path) -> None:
    """Audited as they are, with the facts that they bring: what is proposed can be pasted."""
    paths = on_paper(shelf, newest_house, tmp_path / "captures")
    done = rowreckon("audit", *map(str, paths), "--format", "json")
    assert "Traceback" not in done.stderr, done.stderr[-3000:]
    statements = list(advice(json.loads(done.stdout)))
    assert statements
    pasted(newest_house, statements)
    watch.unchanged()


def test_untouched_captures_are_answered(newest_house: House, watch: Watch, shelf: Shelf, tmp_path: Path) -> None:
    """The twins: each of the three captures as it was saved gives advice that the server takes."""
    for name, capture in shelf.captures.items():
        path = tmp_path / f"{name}.capture.json"
        path.write_text(json.dumps(capture))
        done = rowreckon("audit", str(path), "--format", "json")
        remedies = json.loads(done.stdout)["remedies"]
        assert remedies, name
        with psycopg.connect(newest_house.keeper) as session:
            for remedy in remedies:
                for statement in remedy["sql"]:
                    session.execute(statement.encode())
                session.rollback()
    watch.unchanged()


def tried(house: House, shelf: Shelf, folder: Path, wanted: str, *, at_most: int) -> str:
    """A trial in place of a list whose captures are tampered with in the texts of which `wanted` names a part."""
    lists, captures = folder / "lists", folder / "captures"
    lists.mkdir(parents=True)
    captures.mkdir()
    text, number = [], 0
    for name, capture in pieces(shelf, house):
        query = name.split()[0]
        if wanted in name and number < at_most:
            number += 1
            own = f"{query} {number}"
            text.append(f"-- name: {own}\n{QUERIES[query]};\n")
            (captures / f"{number}.capture.json").write_text(json.dumps({**capture, "name": own}))
    assert number
    (lists / "q.sql").write_text("".join(text))
    done = rowreckon(
        "trial", str(lists / "q.sql"), "--dsn", house.keeper, "--captures", str(captures), "--in-place", "--yes"
    )
    assert "Traceback" not in done.stderr, done.stderr[-3000:]
    return done.stdout + done.stderr


def test_a_trial_in_place(newest_house: House, watch: Watch, shelf: Shelf, tmp_path: Path) -> None:
    """What a trial applies is one statement of a known shape, whatever the captures say of functions."""
    tried(newest_house, shelf, tmp_path, "catalog.functions", at_most=6)
    watch.unchanged()


@pytest.mark.full
@pytest.mark.parametrize("wanted", ["catalog.functions", "catalog.relations", "catalog.names", "explain"])
def test_trials_in_place(newest_house: House, watch: Watch, shelf: Shelf, tmp_path: Path, wanted: str) -> None:
    """The same of everything else that a capture says."""
    tried(newest_house, shelf, tmp_path, wanted, at_most=200)
    watch.unchanged()


def test_tampered_answers(newest_house: House, watch: Watch, tmp_path: Path) -> None:
    """`audit --facts` of an answer in which every text is replaced in turn: what is proposed can be pasted."""
    path = PlanFile("plan", plan()).write(tmp_path, {})
    script, answer = tmp_path / "ask.sql", tmp_path / "answer.txt"
    asked = rowreckon("ask", str(path), "-o", str(script))
    assert asked.returncode == 0, asked.stderr
    answered(newest_house, script, answer)
    document = json.loads(answer.read_text())
    saved = tmp_path / "saved"
    untouched = rowreckon("audit", str(path), "--facts", str(answer), "--save", str(saved))
    assert untouched.returncode == 0, untouched.stderr
    (twin,) = saved.iterdir()
    assert json.loads(twin.read_text())["catalog"]["relation_estimates"]
    statements: list[str] = []
    found = kinds(document, frozenset({("schema",)}))
    for number, way in enumerate(found):
        if number % 24:
            continue
        changed = tmp_path / f"answer-{number}.txt"
        changed.write_text(json.dumps(tampered(document, way, TEXTS[number % len(TEXTS)])))
        done = rowreckon("audit", str(path), "--facts", str(changed), "--format", "json")
        assert "Traceback" not in done.stderr, done.stderr[-3000:]
        assert done.returncode in (0, 2)
        if done.stdout.startswith("{"):
            statements += advice(json.loads(done.stdout))
    pasted(newest_house, statements)
    watch.unchanged()
