"""Plans printed with COSTS OFF, made of the sample plans by leaving their costs out: rows tell what they can."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from rowreckon import audit, read_text
from rowreckon.document.audit import Join

SAMPLES = Path(__file__).parents[2] / "sample_plans"
OPEN = "the plan alone does not tell what the other join methods would cost"
Node = dict[str, Any]


def _without_costs(node: Node) -> None:
    del node["Startup Cost"], node["Total Cost"]


def _never_ran(node: Node) -> None:
    _without_costs(node)
    node |= {"Actual Loops": 0, "Actual Rows": 0}


def _not_executed(node: Node) -> None:
    for key in [key for key in node if key.startswith("Actual ")]:
        del node[key]


def _planned_without_costs(node: Node) -> None:
    _without_costs(node)
    _not_executed(node)


def _joins(name: str, alter: Callable[[Node], None]) -> tuple[Join, ...]:
    document = json.loads((SAMPLES / f"{name}.18.json").read_text("utf-8"))
    nodes = [document[0]["Plan"]]
    for node in nodes:
        nodes += node.get("Plans", ())
    for node in nodes:
        alter(node)
    (plan,) = audit(read_text(json.dumps(document))).plans
    return plan.joins


@pytest.mark.parametrize("name", ["hash-join-as-it-should-be", "memoize", "nested-loop-as-it-should-be"])
def test_right_estimates_are_accurate(name: str) -> None:
    """Every estimate is within a factor of ten, as rows alone say."""
    for join in _joins(name, _without_costs):
        assert (join.verdict, join.basis, join.missing) == ("accurate", "plan", ())
        assert join.why.endswith("All within a factor of 10.")
        assert join.best_at_actual is None


@pytest.mark.parametrize("name", ["stale-statistics", "join-key-skew", "limit"])
def test_wrong_ones_stay_open(name: str) -> None:
    """Rows far off do not tell what another method would have cost: the report names what would."""
    joins = _joins(name, _without_costs)
    assert joins
    for join in joins:
        assert (join.verdict, join.basis) == ("undecided", "plan")
        assert join.why.endswith(f"Undecided: {OPEN}.")
        assert join.missing
        assert not join.switch_points


def test_sides_cut_short_are_asked_for_whole() -> None:
    """Of two sides that a LIMIT stopped, their whole counts are what would tell more, besides prices."""
    (cut,) = _joins("limit", _without_costs)
    (whole,) = _joins("stale-statistics", _without_costs)
    assert len(cut.missing) == len(whole.missing) + 2


def test_a_plan_that_was_not_executed() -> None:
    """Neither rows nor prices: the run is asked for first, then the prices."""
    (priced,) = _joins("stale-statistics", _not_executed)
    (join,) = _joins("stale-statistics", _planned_without_costs)

    assert (join.verdict, join.basis) == ("undecided", "plan")
    assert join.why.endswith("Undecided: the plan was not executed.")
    assert join.missing[0] == priced.missing[0]
    assert len(join.missing) == 2


def test_a_join_that_never_ran() -> None:
    """No row came, and none was asked for."""
    (join,) = _joins("stale-statistics", _never_ran)
    assert (join.verdict, join.basis, join.missing) == ("undecided", "plan", ())
    assert join.why.endswith("Undecided: the join never ran.")
