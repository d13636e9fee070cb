"""Trials on copies: tampered captures, and a database, tables, columns and indexes with hostile names.

Nothing of the source may change, nothing be called, no copy be left; and the changes must have been tried.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from rowreckon import releases
from tests.servers.fixtures import running

from .hostile_names import DATABASE, NAMES, furnish_names
from .house import House, house
from .snapshot import snapshot
from .tampering import TEXTS
from .tool import Watch, rowreckon

SPOKEN = ("name", "definition", "expression", "arguments", "column", "index")
"""Keys of a capture's catalog whose texts may come into a statement."""

QUERY = (
    "-- name: correlated\nselect count(*) from bookings b join payments p on p.booking_id = b.id"
    " where b.land = 'land 3' and b.city = 'city 3';\n"
)


@pytest.fixture(scope="module")
def named_house() -> Iterator[House]:
    """A house in a database with a hostile name, on a server that nobody else is on."""
    with running(releases.NEWEST) as server, house(server, name=DATABASE) as built:
        yield built


@pytest.fixture
def untouched(named_house: House) -> Watch:
    """A snapshot from before the test; no session stays, since a copy is made of a database that nobody is in."""
    return Watch(named_house, snapshot(named_house))


def tried(house: House, query: Path, *options: str) -> dict[str, Any]:
    """A trial on copies of everything that is proposed: the audit's document."""
    command = ("trial", str(query), "--dsn", house.keeper, "--yes", "--format", "json", "--budget", "30min")
    done = rowreckon(*command, *options)
    assert "Traceback" not in done.stderr, done.stderr[-3000:]
    assert done.returncode in (0, 2), done.stderr[-3000:]
    return json.loads(done.stdout) if done.stdout.startswith("{") else {"remedies": []}


def verdicts(document: dict[str, Any]) -> list[str]:
    """How each change that was tried came out."""
    return [remedy["trial"]["verdict"] for remedy in document["remedies"] if remedy["trial"]]


@pytest.mark.parametrize("step", [pytest.param(4, id="sample"), pytest.param(1, id="all", marks=pytest.mark.full)])
def test_hostile_names(named_house: House, tmp_path: Path, step: int) -> None:
    """Names reach statements as names: changes on them are tried on the copy, and the source stays as it was."""
    queries = furnish_names(named_house, NAMES[::step])
    watch = Watch(named_house, snapshot(named_house))
    query = tmp_path / "q.sql"
    query.write_text("".join(queries))
    document = tried(named_house, query)
    watch.unchanged()
    assert {plan["outcome"] for plan in document["plans"]} == {"ran"}
    found = verdicts(document)
    assert len(found) >= len(queries), document["remedies"]
    assert "not_applied" not in found


def test_tampered_captures(named_house: House, untouched: Watch, tmp_path: Path) -> None:
    """A trial from captures whose names, expressions and definitions were altered: nothing of it runs, there or here;
    from the captures as they were saved the changes are tried."""
    query, saved = tmp_path / "q.sql", tmp_path / "saved"
    query.write_text(QUERY)
    swept = rowreckon("sweep", str(query), "--dsn", named_house.keeper, "--save", str(saved), "--format", "json")
    assert swept.returncode == 0, swept.stderr
    assert verdicts(tried(named_house, query, "--captures", str(saved), "--remedy", "1"))
    untouched.unchanged()
    (path,) = saved.iterdir()
    capture = json.loads(path.read_text())
    for number, text in enumerate(TEXTS[::7]):
        text = text.replace("<YARD>", str(named_house.yard))
        path.write_text(json.dumps(altered(capture, text)))
        tried(named_house, query, "--captures", str(saved), "--remedy", str(1 + number % 2))
        untouched.unchanged()


def altered(capture: dict[str, Any], text: str) -> dict[str, Any]:
    """The capture with this text for every name of its catalog but the table's, and for every expression."""
    changed: dict[str, Any] = json.loads(json.dumps(capture))
    stack: list[Any] = [changed["catalog"]]
    while stack:
        node = stack.pop()
        if isinstance(node, dict):
            for key, value in node.items():
                if isinstance(value, str) and key in (
                    "name",
                    "definition",
                    "expression",
                    "arguments",
                    "column",
                    "index",
                ):
                    node[key] = text if key != "name" or value != "bookings" else value
                stack.append(value)
        elif isinstance(node, list):
            stack.extend(node)
    return changed
