"""Lists that no parser can be expected to take: a sentence each, status 2, and what is good beside them runs."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.running import rowreckon

HARD = {
    "parentheses after CREATE TEMP TABLE": b"create temp table t as select " + b"(" * 3_000 + b"1" + b")" * 3_000,
    "parentheses that do not end": b"select " + b"(" * 50_000,
    "a sum without an end": b"select " + b"1+" * 50_000 + b"1",
    "nested CASE": b"select " + b"case when true then " * 2_000 + b"1" + b" end" * 2_000,
    "NUL": b"select 1 \x00 + 1",
    "a very long name": b"select 1 as " + b"a" * 500_000,
    "unended literal": b"select 'the hut",
    "unended comment": b"select 1 /* the hut",
}


@pytest.mark.parametrize("name", HARD)
@pytest.mark.parametrize("command", ["sweep", "check"])
def test_a_hard_statement_is_one_item_with_a_reason(command: str, name: str, huts: str, tmp_path: Path) -> None:
    """No traceback, no defect; the statement before it is audited."""
    path = tmp_path / "q.sql"
    path.write_bytes(b"-- name: good\nselect count(*) from huts;\n-- name: hard\n" + HARD[name] + b"\n")
    done = rowreckon(command, str(path), "--dsn", huts, *(("--format", "json") if command == "sweep" else ()))
    assert "Traceback" not in done.stderr
    assert done.returncode in (0, 2), done.stderr
    if command == "sweep":
        outcomes = {plan["source"]: plan["outcome"] for plan in json.loads(done.stdout)["plans"]}
        assert outcomes["good"] == "ran"
        assert done.returncode == (0 if set(outcomes.values()) == {"ran"} else 2)


def test_a_list_that_is_no_text(huts: str, tmp_path: Path) -> None:
    """Bytes that are no UTF-8: one sentence."""
    path = tmp_path / "q.sql"
    path.write_bytes(b"select '\xff'")
    done = rowreckon("sweep", str(path), "--dsn", huts)
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1


@pytest.fixture
def folder_with_a_broken_one(tmp_path: Path) -> Path:
    """A list that can be read between two that can't: one with parameters that are no TOML, one that is no text."""
    folder = tmp_path / "lists"
    folder.mkdir()
    (folder / "a.sql").write_text("-- name: by hut\nselect * from huts where id = $1;\n")
    (folder / "a.toml").write_text("[by hut\n")
    (folder / "b.sql").write_text("-- name: all huts\nselect count(*) from huts;\n")
    (folder / "c.sql").write_bytes(b"select '\xff'")
    return folder


def test_a_list_that_cannot_be_read_hides_no_other(huts: str, folder_with_a_broken_one: Path, tmp_path: Path) -> None:
    """The other lists of the folder are swept; each that is not is named, on standard error and in the audit."""
    done = rowreckon("sweep", str(folder_with_a_broken_one), "--dsn", huts, "--format", "json")
    audit = json.loads(done.stdout)

    assert done.returncode == 2
    assert [(plan["source"], plan["outcome"]) for plan in audit["plans"]] == [("b: all huts", "ran")]
    assert [Path(item["source"]).name for item in audit["rejected"]] == ["a.sql", "c.sql"]
    assert "a.toml" in done.stderr
    assert "c.sql" in done.stderr


def test_check_and_trial_name_a_list_that_cannot_be_read(huts: str, folder_with_a_broken_one: Path) -> None:
    """`check` judges the other queries; `trial` audits them, masked too."""
    checked = rowreckon("check", str(folder_with_a_broken_one), "--dsn", huts)
    tried = rowreckon(
        *("trial", str(folder_with_a_broken_one), "--dsn", huts, "--in-place", "--yes", "--mask", "--format", "json")
    )

    assert checked.returncode == tried.returncode == 2
    assert "b: all huts" in checked.stdout
    assert "a.toml" in checked.stderr
    audit = json.loads(tried.stdout)
    assert [plan["outcome"] for plan in audit["plans"]] == ["ran"]
    assert [Path(item["source"]).name for item in audit["rejected"]] == ["a.sql", "c.sql"]


def test_nothing_runs_where_no_list_can_be_read(huts: str, folder_with_a_broken_one: Path) -> None:
    """Each is named, and nothing is printed as if something had been swept."""
    (folder_with_a_broken_one / "b.sql").unlink()
    done = rowreckon("sweep", str(folder_with_a_broken_one), "--dsn", huts, "--format", "json")

    assert done.returncode == 2
    assert not done.stdout
    assert "a.toml" in done.stderr
    assert "c.sql" in done.stderr
