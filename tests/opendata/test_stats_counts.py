"""Published true counts of real data: what the audit says came is what others counted, query by query.

What the audit finds where the planner is off by ten times or more is printed (`-s`).
"""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any, Final

import pytest

from rowreckon import releases
from tests.cli.running import rowreckon_long
from tests.servers.databases import fresh_database
from tests.servers.fixtures import Servers

from .stats import load_stats, published

_ABOVE: Final = frozenset({"Aggregate", "Gather", "Gather Merge", "Sort"})
"""Nodes over the rows that count(*) counts."""
_FAR_OFF: Final = 10.0

pytestmark = [pytest.mark.server, pytest.mark.full]


@pytest.mark.parametrize("major", [releases.NEWEST, 14], ids=lambda major: f"pg{major}")
def test_every_published_count_is_what_came(servers: Servers, major: int, tmp_path: Path) -> None:
    """All 261 on tables with default statistics; the count lies within what the plan's rounding leaves open."""
    counts = published()
    with fresh_database(servers(major).dsn) as dsn:
        load_stats(dsn)
        plans = _swept(dsn, tmp_path / "stats.sql", [each.query for each in counts])

    wrong = [
        (each.query, each.rows, came)
        for each, plan in zip(counts, plans, strict=True)
        if not (came := _came(plan))[0] <= each.rows <= came[1]
    ]
    print(_told(major, plans))
    assert len(counts) == 261
    assert wrong == []


def _swept(dsn: str, path: Path, queries: list[str]) -> list[dict[str, Any]]:
    path.write_text(";\n".join(queries), "utf-8")
    done = rowreckon_long("sweep", str(path), "--dsn", dsn, "--format", "json")
    assert done.stdout, done.stderr
    plans: list[dict[str, Any]] = json.loads(done.stdout)["plans"]
    assert {plan["source"]: plan["reason"] for plan in plans if plan["outcome"] != "ran"} == {}
    return plans


def _counted(plan: dict[str, Any]) -> dict[str, Any]:
    """The node whose rows the query counts."""
    return next(node for node in plan["nodes"] if node["node_type"] not in _ABOVE)


def _came(plan: dict[str, Any]) -> tuple[float, float]:
    node = _counted(plan)
    return node["actual_rows_low"], node["actual_rows_high"]


def _told(major: int, plans: list[dict[str, Any]]) -> str:
    """Joins whose count is off by ten times or more, by their first finding and verdict."""
    off = [plan for plan in plans if plan["joins"] and (_counted(plan)["q_error_low"] or 1.0) >= _FAR_OFF]
    found = Counter((plan["findings"][0]["code"] if plan["findings"] else "none") for plan in off)
    verdicts = Counter(join["verdict"] for plan in off for join in plan["joins"])
    joined = sum(bool(plan["joins"]) for plan in plans)
    return (
        f"pg{major}: {len(off)} of {joined} joins off by {_FAR_OFF:g} times: {dict(found)}; verdicts {dict(verdicts)}"
    )
