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
