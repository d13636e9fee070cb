"""The script that `ask` writes for a colleague, made of hostile plan files and run in psql."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import psycopg
import pytest

from .house import HIDDEN_ROW, SECRET, House
from .snapshot import snapshot
from .test_plans import files, place, written
from .tool import Watch, answered, rowreckon

WAYS = {
    "as it stands": "",
    "backslashes escape, shadowed": "-c standard_conforming_strings=off -c search_path=shadow,pg_catalog,public",
    "constraints excluded": "-c constraint_exclusion=on",
}


# For some hundreds the server sorts in files of its own under work_mem's default, which the watch over its folder sees.
PLANS_A_SCRIPT = 40


def check_scripts(house: House, paths: list[str], folder: Path, options: str) -> None:
    """Write scripts for all of these plans, run each in psql: each ends well, and no forbidden value comes out."""
    script, answer = folder / "ask.sql", folder / "answer.txt"
    for start in range(0, len(paths), PLANS_A_SCRIPT):
        done = rowreckon("ask", *paths[start : start + PLANS_A_SCRIPT], "-o", str(script), "--with-values")
        assert "Traceback" not in done.stderr, done.stderr[-3000:]
        answered(house, script, answer, options)
        assert SECRET not in answer.read_text()
        assert HIDDEN_ROW not in answer.read_text()


@pytest.mark.parametrize(
    "way", [pytest.param(way, marks=[] if "shadowed" in way else [pytest.mark.full]) for way in WAYS]
)
def test_a_colleague_runs_it(
    newest_house: House, watch: Watch, bystander: psycopg.Connection[Any], tmp_path: Path, way: str
) -> None:
    """Nothing is called or changed, no forbidden value comes out, and the script ends well."""
    step = 4 if "shadowed" in way else 1
    paths = written(tmp_path / "plans", files(twin=False)[::step], place(newest_house, bystander))
    check_scripts(newest_house, paths, tmp_path, WAYS[way])
    watch.unchanged()


def test_twins_are_answered(
    newest_house: House, watch: Watch, bystander: psycopg.Connection[Any], tmp_path: Path
) -> None:
    """The harmless twins' script brings facts that the audit takes."""
    paths = written(tmp_path / "plans", files(twin=True), place(newest_house, bystander))[::12]
    script, answer = tmp_path / "ask.sql", tmp_path / "answer.txt"
    assert rowreckon("ask", *paths, "-o", str(script)).returncode == 0
    answered(newest_house, script, answer)
    done = rowreckon("audit", *paths, "--facts", str(answer), "--format", "json", "--save", str(tmp_path / "saved"))
    assert done.returncode == 0, done.stderr
    captures = [json.loads(path.read_text()) for path in (tmp_path / "saved").iterdir()]
    assert all(capture["catalog"]["relations"] for capture in captures)
    watch.unchanged()


@pytest.mark.matrix
def test_older_releases(older_house: House, tmp_path: Path) -> None:
    """13 to 17."""
    watch = Watch(older_house, snapshot(older_house))
    paths = written(tmp_path / "plans", files(twin=False), place(older_house, None))
    check_scripts(older_house, paths, tmp_path, WAYS["backslashes escape, shadowed"])
    watch.unchanged()
