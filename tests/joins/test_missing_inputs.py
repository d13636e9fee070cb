"""A plan in which one node lost its input: its Parent Relationship was altered. It is audited all the same."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from rowreckon import audit, read_text

ROOT = Path(__file__).parents[2]
CAPTURES = tuple(sorted((ROOT / "tests" / "report" / "captures").glob("*.capture.json")))
PLANS = (*sorted((ROOT / "sample_plans").glob("*.18.json")), *CAPTURES)


def _root(document: Any) -> dict[str, Any]:
    """The topmost node of a plan, or of a capture's."""
    explain = document["explain"] if isinstance(document, dict) else document
    found: dict[str, Any] = (explain[0] if isinstance(explain, list) else explain)["Plan"]
    return found


def _below(plan: dict[str, Any]) -> Iterator[dict[str, Any]]:
    for child in plan.get("Plans", ()):
        yield child
        yield from _below(child)


@pytest.mark.parametrize("path", PLANS, ids=lambda p: p.name)
def test_every_node_may_lose_its_input(path: Path) -> None:
    """As a child of no known kind, and as a SubPlan, whose rows flow nowhere."""
    document = json.loads(path.read_text())
    count = len(list(_below(_root(document))))
    for number in range(count):
        altered = copy.deepcopy(document)
        child = list(_below(_root(altered)))[number]
        child["Parent Relationship"] = "SubPlan" if number % 2 else "Beside"
        found = audit(read_text(json.dumps(altered)))

        assert found.plans or found.rejected
    assert count


@pytest.mark.parametrize("path", CAPTURES, ids=lambda p: p.name)
def test_every_node_may_expect_no_row(path: Path) -> None:
    """The planner expects none of what a condition rules out before it runs (One-Time Filter: false)."""
    document = json.loads(path.read_text())
    nodes = [_root(document), *_below(_root(document))]
    for node in nodes:
        rows, node["Plan Rows"] = node["Plan Rows"], 0
        found = audit(read_text(json.dumps(document)))
        node["Plan Rows"] = rows

        assert found.plans
    assert nodes
