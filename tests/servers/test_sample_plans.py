"""The plans in sample_plans/ are those of the query list, from the releases that their names say, and indexed."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

from rowreckon.server.samples.build import sample_queries

FOLDER = Path(__file__).parents[2] / "sample_plans"
PLANS = sorted([*FOLDER.glob("*.json"), *FOLDER.glob("*.txt")])


def keys(value: Any) -> set[str]:
    found: set[str] = set()
    if isinstance(value, dict):
        found = set(value)
        value = list(value.values())
    if isinstance(value, list):
        for inner in value:
            found |= keys(inner)
    return found


def test_every_query_has_a_plan_of_the_newest_release() -> None:
    """Each query of the list is there as JSON of 18, and older releases and psql's text are represented."""
    names = {path.name for path in PLANS}
    assert {f"{item.name}.18.json" for item in sample_queries()} <= names
    assert {name.split(".")[1] for name in names} == {"13", "14", "15", "16", "17", "18"}
    assert len([name for name in names if name.endswith(".txt")]) >= 3


def test_the_index_names_every_plan() -> None:
    """README.md lists the files that are there and no others, each with its server."""
    listed = re.findall(r"\]\(([^)#]+)\) \((\d+)\.\d+\)", (FOLDER / "README.md").read_text())
    assert {file for file, _ in listed} == {path.name for path in PLANS}
    assert all(file.split(".")[1] == major for file, major in listed)


@pytest.mark.parametrize("path", PLANS, ids=lambda path: path.name)
def test_a_plan_is_what_its_name_says(path: Path) -> None:
    """JSON has what its release prints (MEMORY from 17, decimals in row counts from 18), and no file is large."""
    text = path.read_text()
    assert len(text) <= 30_000
    major = int(path.name.split(".")[1])
    if path.suffix == ".txt":
        assert "actual time=" in text
        return
    assert "Actual Rows" in keys(json.loads(text))
    assert ('"Memory Used"' in text) == (major >= 17)
    assert bool(re.search(r'"Actual Rows": \d+\.\d\d', text)) == (major >= 18)
