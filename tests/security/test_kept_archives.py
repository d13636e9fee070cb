"""Kept archives and baselines from elsewhere: they are figures, and nothing in them is run, followed or obeyed."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import duckdb
import pytest

from .house import SECRET
from .plans import plan
from .tampering import TEXTS, kinds, tampered
from .tool import rowreckon

LENGTH = 4711
"""Characters of a secret file: a count of the archive's that comes to this was read from it."""


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """A server's log with one plan in it."""
    document = json.dumps({"Query Text": "select 1", **plan()}, indent=1).replace("\n", "\n\t")
    path = tmp_path / "huts.log"
    path.write_text(f"2026-07-01 10:00:00.000 UTC [1] LOG:  duration: 40.000 ms  plan:\n\t{document}\n")
    return path


@pytest.fixture
def secret(tmp_path: Path) -> Path:
    """A file that no archive has to do with."""
    path = tmp_path / "secret"
    path.write_text("s" * LENGTH)
    return path


def kept(log: Path, name: str) -> Path:
    """What --keep writes of it."""
    path = log.with_name(name)
    done = rowreckon("audit", str(log), "--keep", str(path))
    assert done.returncode == 0, done.stderr
    return path


def before(log: Path, archive: Path) -> tuple[int, str, dict[str, Any]]:
    """Audit the log beside the archive: the status, what was said, and what the archive says of the fold."""
    done = rowreckon("audit", str(log), "--before", str(archive), "--format", "json")
    assert "Traceback" not in done.stderr, done.stderr[-2000:]
    assert str(LENGTH) not in done.stdout + done.stderr
    (fold,) = json.loads(done.stdout)["folds"] if done.stdout.startswith("{") else [{}]
    return done.returncode, done.stderr, fold.get("before") or {}


def altered(path: Path, statements: list[str], secret: Path) -> None:
    """Run these on a kept database, as whoever sends it could."""
    with duckdb.connect(str(path)) as database:
        for statement in statements:
            database.execute(statement.replace("<SECRET>", str(secret)))


def some(names: Iterable[str], *by_default: str) -> list[Any]:
    """All of these names as parameters; in the default run only those named after them."""
    return [pytest.param(name, marks=[] if name in by_default else pytest.mark.full) for name in names]


VIEW = "create view folds as select * replace ({} as times) from kept_folds"
RENAMED = "alter table folds rename to kept_folds"
DATABASES = {
    "reads a file": [RENAMED, VIEW.format("(select length(content) from read_text('<SECRET>'))")],
    "reads a list": [RENAMED, VIEW.format("(select sum(length(column0)) from read_csv('<SECRET>', header=false))")],
    "never ends": [RENAMED, "create view folds as select k.* from kept_folds k, range(1000000000000) r(i)"],
    "a macro in place of a function": [
        "create macro max(x) as (select length(content) from read_text('<SECRET>'))",
        "update folds set run = 4711",
    ],
    "a computed column": [
        RENAMED,
        "create table folds as select * exclude (times) from kept_folds",
        "alter table folds rename to stored",
        "create table folds(run bigint, fingerprint varchar, misestimated bigint, crossed bigint, execution_ms double,"
        " lost_ms double, q_error_median double, times bigint generated always as (length(fingerprint)))",
        "insert into folds select run, fingerprint, misestimated, crossed, execution_ms, lost_ms, q_error_median"
        " from stored",
    ],
    "twice": ["insert into folds select * from folds"],
    "beyond any number": ["update folds set lost_ms = 'infinity'"],
    "no number": ["update folds set lost_ms = 'nan'"],
    "negative": ["update folds set times = -1"],
    "nothing": ["update folds set times = null"],
    "texts for numbers": [
        "alter table folds alter times type varchar",
        "update folds set times = 'select 1; drop table folds'",
    ],
    "no table": ["drop table folds"],
}


@pytest.mark.parametrize("name", some(DATABASES, "reads a file", "a macro in place of a function"))
def test_databases(log: Path, secret: Path, name: str) -> None:
    """Views, macros and computed columns are not taken for folds; nor are figures that none has."""
    path = kept(log, "h.duckdb")
    altered(path, DATABASES[name], secret)
    status, said, found = before(log, path)
    if "macro" in name:  # not looked up: the table itself is as good as before
        assert (status, found["times"]) == (0, 1)
        return
    assert status == 2
    assert "cannot be read" in said
    assert not found


@pytest.mark.parametrize("name", ["h.duckdb", "h.parquet"])
def test_the_twins_are_answered(log: Path, name: str) -> None:
    """What --keep wrote, under hostile names of files too."""
    path = kept(log, name)
    status, _, found = before(log, path)
    assert (status, found["times"]) == (0, 1)
    other = path.with_name(f"x'); attach 'y' as z; --{name}")
    path.rename(other)
    assert before(log, other)[2]["times"] == 1
    assert not log.with_name("y").exists()


def test_a_database_that_grows(log: Path, secret: Path) -> None:
    """--keep into a database of somebody else's: its views are not written to, and its macros not called."""
    path = kept(log, "h.duckdb")
    altered(path, ["create macro coalesce(x, y) as (select length(content) from read_text('<SECRET>'))"], secret)
    assert rowreckon("audit", str(log), "--keep", str(path)).returncode == 0
    with duckdb.connect(str(path), read_only=True) as database:
        assert database.execute("select run from folds order by 1").fetchall() == [(1,), (2,)]
    altered(path, DATABASES["reads a file"], secret)
    done = rowreckon("audit", str(log), "--keep", str(path))
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


PARQUET: dict[str, str] = {
    "twice": "select * from folds union all select * from folds",
    "for ever": "select folds.* from folds, range(3000000)",
    "no number": "select * replace ('nan'::double as lost_ms) from folds",
    "texts": "select * replace ('drop table folds' as times) from folds",
    "nested": "select * replace ([1, 2] as times) from folds",
    "nothing": "select * replace (null as times) from folds",
    "no fold": "select 1 as n",
}


@pytest.mark.parametrize("name", some(PARQUET, "for ever"))
def test_parquet_files(log: Path, name: str) -> None:
    """Other columns, other kinds, millions of the same fold."""
    path, other = kept(log, "h.parquet"), log.with_name("other.parquet")
    with duckdb.connect() as database:
        database.execute(f"create table folds as from read_parquet('{path}')")
        database.execute(f"copy ({PARQUET[name]}) to '{other}' (format parquet)")
    status, said, found = before(log, other)
    assert status == 2
    assert "cannot be read" in said
    assert not found


def test_other_files_under_these_names(log: Path, secret: Path) -> None:
    """A secret, and a database of another kind, whose reader would be fetched from elsewhere."""
    secret.write_text(f"{SECRET}\n")
    for content in (f"{SECRET}\n".encode(), b"SQLite format 3\0" + b"\0" * 4096):
        for suffix in ("duckdb", "parquet"):
            path = log.with_name(f"other.{suffix}")
            path.write_bytes(content)
            status, said, _ = before(log, path)
            assert status == 2
            assert SECRET not in said
            if content.startswith(b"SQLite"):
                continue
            link = log.with_name(f"link.{suffix}")
            link.unlink(missing_ok=True)
            link.symlink_to(secret)
            assert before(log, link)[0] == 2


ACTED: list[Callable[[Any], str]] = [
    lambda document: json.dumps(document),
    lambda document: json.dumps([document]),
    lambda document: json.dumps({**document, "schema": "rowreckon.audit/99"}),
    lambda document: json.dumps({**document, "plans": "select 1"}),
    lambda document: json.dumps(document)[:-200],
]


def test_baselines(log: Path, tmp_path: Path) -> None:
    """Every kind of text of an audit replaced in turn: what it is compared with is named, and nothing of it acts."""
    plain = tmp_path / "plan.json"
    plain.write_text(json.dumps([plan()]))
    audit = rowreckon("audit", str(plain), "--format", "json")
    document = json.loads(audit.stdout)
    baseline = tmp_path / "baseline.json"
    options = ("--baseline", str(baseline), "--fail-on", "crossed,held,undecided")
    found = kinds(document, frozenset())
    texts = [json.dumps(tampered(document, way, TEXTS[n % len(TEXTS)])) for n, way in enumerate(found)]
    for text in [*texts[:: max(1, len(texts) // 4)], *(act(document) for act in ACTED)]:
        baseline.write_text(text)
        done = rowreckon("audit", str(plain), *options)
        assert done.returncode in (0, 1, 2), text[:200]
        assert "Traceback" not in done.stderr
        assert not {character for character in done.stdout + done.stderr if character in "\x1b\u202e\x9b"}
    baseline.write_text(audit.stdout)
    same = rowreckon("audit", str(plain), *options)
    assert same.returncode == 0, same.stderr
    assert rowreckon("audit", str(plain), *options[2:]).returncode == 1
