"""Plans of generated databases beside schema files that are wrong: indexes gone or new, tables renamed, types changed.

What a wrong file says may decide less, but nothing wrongly: what right estimates bring is the live server's own word.
`ROWRECKON_GRID_SEED=7 pytest -q -s -m full -n 0 tests/declared/test_wrong_files.py` prints the table; without a seed
the day's is taken. A plan that shows no sign of what changed can't contradict a file, so each is judged with others.
"""

from __future__ import annotations

import datetime
import os
import random
import re
from collections.abc import Callable, Sequence
from pathlib import Path

import psycopg
import pytest

from rowreckon import auditing, releases
from rowreckon.capture import Capture
from rowreckon.cli.facts.sources import with_declared
from rowreckon.declared.reading import SchemaFiles, read_schema_files
from rowreckon.learned.facts import NOTHING_LEARNED
from tests.joins.grid.cases import cases
from tests.joins.grid.companions import COMPANIONS, Score, Shown, _count, show
from tests.joins.grid.run import build
from tests.joins.grid.tables import pairs
from tests.servers.databases import fresh_database
from tests.servers.fixtures import Servers

from .test_dumps import LIMIT, pg_dump

TABLES, COUNT, LARGEST = 8, 60, 100_000
_OTHER = {"integer": "text", "bigint": "uuid", "text": "integer", "uuid": "bigint", "numeric": "text"}


def _gone(dump: str) -> str:
    """The file has an index on every key column; most of them are not there."""
    tables = sorted(set(re.findall(r"CREATE TABLE public\.([io]\d+) ", dump)))
    return dump + "".join(f"CREATE INDEX {name}_gone ON public.{name} USING btree (k);\n" for name in tables)


def _new(dump: str) -> str:
    """The file has none of the inner tables' indexes."""
    return re.sub(r"CREATE (UNIQUE )?INDEX i\d+_\w+ ON .*?;\n", "", dump)


def _renamed(dump: str) -> str:
    """Each inner table has the name of another."""
    return re.sub(r"\bi(\d)(?=\b|_)", lambda m: f"i{(int(m.group(1)) + 1) % TABLES}", dump)


def _retyped(dump: str) -> str:
    """The key columns have other types."""
    return re.sub(r"\bk (integer|bigint|text|uuid|numeric)\b", lambda m: f"k {_OTHER[m.group(1)]}", dump)


WRONG: dict[str, Callable[[str], str]] = {"gone": _gone, "new": _new, "renamed": _renamed, "retyped": _retyped}


def _score(shown: Sequence[Shown], seed: int, files: SchemaFiles) -> tuple[Score, set[str]]:
    """Each plan with twenty others and the files, and what is said of these."""
    draw, found, said = random.Random(seed), Score(), set[str]()
    for number, one in enumerate(shown):
        others = [s.capture for n, s in enumerate(shown) if n != number]
        drawn = draw.sample(others, min(COMPANIONS, len(others)))
        told = with_declared([one.capture, *drawn], files)
        captures = [item for item in told if isinstance(item, Capture)]
        said.update(note for capture in captures for note in capture.notes)
        fellows = auditing.together(captures, True)
        learned = fellows.facts_for(captures[0]) if fellows is not None else NOTHING_LEARNED
        plan, _ = auditing.audit_capture(captures[0], learned=learned, curves=False)
        q_errors = {node.id: node.q_error_low for node in plan.nodes}
        for join in plan.joins:
            truth = one.truths.get(join.node)
            if truth is not None:
                errors = [q_errors[n] or 0.0 for n in (join.node, join.outer.node, join.inner.node)]
                _count(found, join, truth, plan.query or "", misestimated=max(errors) >= 10.0)
    return found, said


@pytest.mark.full
@pytest.mark.parametrize("major", [14, releases.NEWEST])
def test_a_wrong_file_decides_nothing_wrongly(
    servers: Servers, major: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The server's plan with right estimates bears out what is called crossed and held."""
    seed = int(os.environ.get("ROWRECKON_GRID_SEED") or datetime.date.today().strftime("%y%m%d"))
    with fresh_database(servers(major).dsn) as dsn, psycopg.connect(dsn, autocommit=True) as connection:
        build(connection, seed=seed, count=TABLES, largest=LARGEST)
        shown = show(connection, cases(seed, pairs(seed, TABLES, LARGEST), COUNT))
        dump = pg_dump(dsn, tmp_path / "right.sql", "--schema-only", schemas=()).read_text()
    wrong: list[str] = []
    for kind, made in WRONG.items():
        path = tmp_path / f"{kind}.sql"
        path.write_text(made(dump))
        assert path.read_text() != dump
        found, said = _score(shown, seed, read_schema_files([path], LIMIT))
        wrong += [f"{kind}: {each}" for each in found.wrong]
        with capsys.disabled():
            print(f"\nPostgreSQL {major}, seed {seed}: {found.line(kind)}", *sorted(found.wrong), sep="\n")
        if kind in ("new", "renamed"):
            assert any("which they lack" in note for note in said)
            assert any("no index is taken to be absent" in note for note in said)

    assert not wrong
