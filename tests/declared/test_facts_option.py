"""`rowreckon audit --facts` with schema files, as a person uses it, on plans of the sample database."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.cli.running import SAMPLES, rowreckon

PLAN = SAMPLES / "correlated-range.18.json"
"""A hash join of flight_items with supply_flights that the plan alone leaves undecided, as an index may exist."""


@pytest.fixture
def schema(tmp_path: Path) -> Path:
    """The two tables as a file has them, with no index on the join's columns."""
    file = tmp_path / "schema.sql"
    file.write_text(
        "create table supply_flights (id int, hut_id int, flown_on date, weight_kg int);\n"
        "create table flight_items (id int, flight_id int, item text, grams int, price_cents int);\n"
    )
    return file


def audited(*arguments: str) -> dict[str, Any]:
    """The plan's audit as a document, and the run's exit status."""
    done = rowreckon("audit", str(PLAN), *arguments, "--format", "json")
    assert done.stdout, done.stderr
    document: dict[str, Any] = json.loads(done.stdout)
    return {**document["plans"][0], "exit": done.returncode, "stderr": done.stderr}


def columns_of(plan: dict[str, Any]) -> str:
    """What the plan says of itself, for a test that fails."""
    return f"{plan['joins'][0]['condition']}; {plan['notes']}"
