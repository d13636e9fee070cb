"""Captures, answers, parameter files, baselines and kept files, changed by their structure: never a crash.

A mutator that knows no field, by somebody who had not seen the first. Each run draws its own seed and prints it;
`ROWRECKON_STRUCTURE_SEED` repeats one.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import random
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import psycopg
import pytest

from rowreckon.server.samples.build import sample_script
from tests.cli.running import SAMPLES, rowreckon
from tests.reading.psql import psql_program

from .structured import damaged, mutated, text_of

_CAPTURE: Final = Path(__file__).parents[1] / "report" / "captures" / "stale-statistics.capture.json"
_PLAN: Final = SAMPLES / "stale-statistics.18.json"
_LONGEST: Final = 2_500
"""Characters of all messages about one bad file: a few sentences, however long a name in it is."""
_NOWHERE: Final = "host=/nowhere dbname=huts connect_timeout=2"


@dataclass
class Bases:
    """Good files, as values, and where bad ones are written."""

    folder: Path
    plan: Any
    capture: Any
    answer: str
    audit: Any
    kept: dict[str, bytes]

    def write(self, name: str, data: str | bytes) -> str:
        """The path of a file with this in it."""
        path = self.folder / name
        path.write_bytes(data if isinstance(data, bytes) else data.encode("utf-8", "surrogatepass"))
        return str(path)


@pytest.fixture(scope="module")
def bases(server: str, tmp_path_factory: pytest.TempPathFactory) -> Bases:
    """A plan, its capture, an answer about it from a server, its audit, and kept files of a log with it."""
    folder = tmp_path_factory.mktemp("changed")
    plan = json.loads(_PLAN.read_text("utf-8"))
    script = rowreckon("ask", str(_PLAN), "--with-values").stdout
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(b"create database changed")
    dsn = psycopg.conninfo.make_conninfo(server, dbname="changed")
    with psycopg.connect(dsn, autocommit=True) as connection:
        connection.execute(sample_script("schema.sql").encode())
    answer = subprocess.run(
        [psql_program(), "-X", "-q", dsn], input=script, capture_output=True, text=True, check=True
    ).stdout
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(b"drop database changed")
    assert rowreckon("audit", str(_PLAN), "--facts", _written(folder / "answer.txt", answer)).returncode == 0
    audit = json.loads(rowreckon("audit", str(_PLAN), "--format", "json").stdout)
    log = f"2026-07-01 10:00:00.000 UTC [7] LOG:  duration: 5.000 ms  plan:\n\t{json.dumps(plan[0])}\n" * 3
    kept = {"log.gz": gzip.compress(log.encode())}
    _written(folder / "week.log", log)
    for ending in ("parquet", "duckdb"):
        path = folder / f"week.{ending}"
        assert rowreckon("audit", str(folder / "week.log"), "--keep", str(path)).returncode == 0
        kept[ending] = path.read_bytes()
    return Bases(folder, plan, json.loads(_CAPTURE.read_text("utf-8")), answer, audit, kept)


def _written(path: Path, text: str) -> str:
    path.write_text(text, "utf-8")
    return str(path)


Words = list[str]


def _capture(bases: Bases, draw: random.Random) -> Words:
    path = bases.write("a.capture.json", text_of(mutated(bases.capture, draw)))
    return [
        "audit",
        path,
        *draw.choice((["--format", "json"], ["-v"], ["--mask"], ["--save", str(bases.folder / "s")])),
    ]


def _plan(bases: Bases, draw: random.Random) -> Words:
    return ["audit", bases.write("plan.json", text_of(mutated(bases.plan, draw))), "--format", "json"]


def _answer(bases: Bases, draw: random.Random) -> Words:
    """An answer whose checksum is right."""
    head = '"answer": '
    at = bases.answer.index(head) + len(head)
    document, _ = json.JSONDecoder().raw_decode(bases.answer[at:])
    text = text_of(mutated(document, draw))
    digest = hashlib.md5(text.encode("utf-8", "surrogatepass"), usedforsecurity=False).hexdigest()
    path = bases.write("answer.txt", f'{{"facts_md5": "{digest}", "answer": {text}}}\n')
    return ["audit", str(_PLAN), "--facts", path, *draw.choice((["--format", "json"], ["--mask"]))]


def _baseline(bases: Bases, draw: random.Random) -> Words:
    path = bases.write("baseline.json", text_of(mutated(bases.audit, draw)))
    if draw.random() < 0.5:
        return ["audit", str(_PLAN), "--fail-on", "crossed", "--baseline", path]
    other = bases.write("other.json", text_of(bases.audit))
    return ["compare", *draw.choice(((path, other), (other, path))), *draw.choice(([], ["--mask"]))]


def _parameters(bases: Bases, draw: random.Random) -> Words:
    """TOML beside a list; no server is there, so the list is read and nothing else done."""
    bases.write("list.sql", "-- name: a b\nselect $1, $2;\n-- name: c\nselect $1;\n")
    values = [
        "1",
        "'x'",
        "[1, 2]",
        "{a = 1}",
        "2026-02-30",
        "1e308",
        "nan",
        "-0",
        "inf",
        "0xfff",
        "9" * 300,
        "'''",
        '"\\ud800"',
    ]
    names = [
        "c",
        '"a b"',
        '""',
        "a.b.c",
        '"c',
        "[c]",
        "[[c]]",
        "x" * 70_000,
        '"a b".first',
        ".".join("c" * 200),
        "é",
        "-",
    ]
    lines = [
        draw.choice(
            (f"{draw.choice(names)} = {_nested(draw, values)}", f"[{draw.choice(names)}]", "\0", "= 1", "# \ud800")
        )
        for _ in range(draw.randrange(1, 6))
    ]
    data = "\n".join(lines).encode("utf-8", "surrogatepass")
    bases.write("list.toml", damaged(data, draw) if draw.random() < 0.3 else data)
    return ["sweep", str(bases.folder / "list.sql"), "--dsn", _NOWHERE]


def _nested(draw: random.Random, values: list[str]) -> str:
    deep = draw.choice((0, 1, 1, 2, 4000))
    return "[" * deep + ", ".join(draw.choice(values) for _ in range(draw.randrange(1, 4))) + "]" * deep


def _kept(bases: Bases, draw: random.Random) -> Words:
    name = draw.choice(sorted(bases.kept))
    if draw.random() < 0.4:
        return ["audit", str(bases.folder / "week.log"), "--before", _other_folds(bases, draw)]
    path = bases.write(f"changed.{name}", damaged(bases.kept[name], draw))
    if name == "log.gz":
        return ["audit", path, *draw.choice(([], ["--no-judge"]))]
    return ["audit", str(bases.folder / "week.log"), draw.choice(("--before", "--keep")), path]


def _other_folds(bases: Bases, draw: random.Random) -> str:
    """A well-formed file of folds with a column of another kind, or with none."""
    import duckdb

    column = draw.choice(
        ("times", "misestimated", "crossed", "execution_ms", "lost_ms", "q_error_median", "fingerprint")
    )
    value = draw.choice(
        (
            "'x'",
            "[1, 2]",
            "-5",
            "NULL",
            "'nan'::DOUBLE",
            "'inf'::DOUBLE",
            "DATE '2026-01-01'",
            "1e308",
            "{'a': 1}",
            "true",
            "'\x00'",
        )
    )
    changed = f"* REPLACE ({value} AS {column})" if draw.random() < 0.8 else f"* EXCLUDE ({column})"
    path = bases.folder / f"other.{draw.choice(('parquet', 'duckdb'))}"
    path.unlink(missing_ok=True)
    source = f"(SELECT {changed} FROM '{bases.folder / 'week.parquet'}')"
    if path.suffix == ".parquet":
        with duckdb.connect() as database:
            database.execute(f"COPY {source} TO '{path}' (FORMAT parquet)")
    else:
        with duckdb.connect(str(path)) as database:
            database.execute(f"CREATE {draw.choice(('TABLE', 'VIEW'))} folds AS SELECT 1 AS run, * FROM {source}")
    return str(path)


def _other_forms(bases: Bases, draw: random.Random) -> Words:
    """YAML with references and XML with entities, beside what a server prints."""
    yaml = draw.choice(
        (
            "- &a\n  Plan: *a\n",
            '- Plan: &p\n    Node Type: "Seq Scan"\n    Plans: [*p, *p]\n',
            "a: &a [x,x]\nb: &b [*a,*a]\nc: &c [*b,*b]\nPlan: *c\n",
            "- Plan:\n    Node Type: !!python/object/apply:os.system ['true']\n",
            '- Plan:\n    <<: {Node Type: 1}\n    Node Type: "Seq Scan"\n    Node Type: "Sort"\n',
            '- Plan: {Node Type: "Seq Scan", Plan Rows: .nan, Actual Rows: .inf, Total Cost: -0.0, Loops: 1e999}\n',
            "- Plan:\n" + "".join(f"{' ' * (2 * n)}Plans:\n" for n in range(2, 900)),
            "- Plan: " + "[" * 5000 + "\n",
            "%YAML 9.9\n---\n- Plan: {}\n...\n- Plan: {}\n",
        )
    )
    xml = draw.choice(
        (
            '<!DOCTYPE a [<!ENTITY b "&#x41;"><!ENTITY c "&b;&b;&b;">]><explain>&c;</explain>',
            '<explain xmlns="http://www.postgresql.org/2009/explain"><Query><Plan>' + "<Plans><Plan>" * 3000,
            '<explain xmlns="http://www.postgresql.org/2009/explain"><Query><Plan><Plan-Rows>NaN</Plan-Rows>'
            "<Actual-Rows>1e308</Actual-Rows><Node-Type>Seq Scan</Node-Type></Plan></Query></explain>",
            '<explain><Query a="' + "x" * 70_000 + '"/></explain>',
        )
    )
    chosen = draw.choice((yaml, xml))
    data = chosen.encode()
    return ["audit", bases.write("form.txt", damaged(data, draw) if draw.random() < 0.5 else data)]


_KINDS: Final[tuple[Callable[[Bases, random.Random], Words], ...]] = (
    _capture, _capture, _answer, _answer, _baseline, _parameters, _plan, _kept, _other_forms,
)  # fmt: skip


class _Worker:
    """Runs commands one after another; a process that dies is replaced."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[str] | None = None

    def run(self, words: Words) -> tuple[int, str, str]:
        """Status, output, messages; a negative status is the signal that ended the process."""
        if self._process is None:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "tests.fuzz.worker"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
            )
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(words) + "\n")
        self._process.stdin.flush()
        line = self._process.stdout.readline()
        if line:
            status, printed, said = json.loads(line)
            return status, printed, said
        died = self._process.wait()
        self._process = None
        return died, "", ""

    def end(self) -> None:
        """Close it."""
        if self._process is not None and self._process.stdin is not None:
            self._process.stdin.close()
            self._process.wait()


@pytest.fixture(scope="module")
def worker() -> Iterator[_Worker]:
    """One for all."""
    made = _Worker()
    yield made
    made.end()


def _wrong(words: Words, status: int, printed: str, said: str) -> str | None:
    """What is wrong with the way a command ended, None where nothing is."""
    if status not in (0, 1, 2):
        return f"status {status}: {said[-600:]}"
    if "Traceback" in said or "Error:" in said.replace("Parse Error:", ""):
        return f"words of the program's: {said[-600:]}"
    if status == 2 and not said.strip():
        return "status 2, and nothing is said"
    if len(said) > _LONGEST:
        return f"{len(said):,} characters are said: {said[:300]}"
    if any(not line.startswith("rowreckon: ") for line in said.splitlines()):
        return f"more than a sentence: {said[:600]!r}"
    if any(
        (ord(sign) < 32 and sign not in "\n") or sign in "\u202e\u2066\x9b" for sign in said + printed.replace("\t", "")
    ):
        return f"characters that act: {said[:300]!r}"
    return None


def _go(bases: Bases, worker: _Worker, times: int) -> None:
    given = os.environ.get("ROWRECKON_STRUCTURE_SEED")
    seed = int(given) if given else random.SystemRandom().randrange(2**32)
    print(f"ROWRECKON_STRUCTURE_SEED={seed}")
    wrong: dict[str, str] = {}
    statuses: dict[int, int] = {}
    for number in range(times):
        draw = random.Random(f"{seed} {number}")
        kind = _KINDS[number % len(_KINDS)]
        words = kind(bases, draw)
        status, printed, said = worker.run(words)
        statuses[status] = statuses.get(status, 0) + 1
        why = _wrong(words, status, printed, said)
        if why is not None:
            wrong[f"{seed} {number} {kind.__name__} {' '.join(words)}"] = why
    print(statuses, *(f"\n{what}: {why}" for what, why in wrong.items()))
    assert wrong == {}
    assert statuses.get(2, 0) >= times // 4  # bad files are told from good ones


def test_one_hundred_and_fifty(bases: Bases, worker: _Worker) -> None:
    """A sample in every run, with a seed of its own."""
    _go(bases, worker, 150)


@pytest.mark.full
def test_three_thousand(bases: Bases, worker: _Worker) -> None:
    """The same at length."""
    _go(bases, worker, 3_000)
