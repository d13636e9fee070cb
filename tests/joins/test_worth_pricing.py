"""Joins whose counts are right are not priced beyond what a report shows; whatever is in doubt is. Counts of calls, no
clock: the figures of `tests/benchmarks` rest on them."""

from __future__ import annotations

from typing import Any

import pytest

from rowreckon.auditing import audit_capture
from rowreckon.capture import Capture
from rowreckon.document.audit import Join
from rowreckon.joins.facts.inputs import Point
from rowreckon.joins.verdict.worth_pricing import MOST_RIGHT, PRICED_WHOLE
from rowreckon.joins.ways.model import JoinModel
from rowreckon.plan.document import parse_document
from tests.benchmarks.plans import plan_of


def _joins(document: dict[str, Any], threshold: float = 10.0) -> tuple[Join, ...]:
    capture = Capture(name="joins", server_version=160000, settings={}, explain=parse_document(document))
    return audit_capture(capture, threshold=threshold)[0].joins


def _join_nodes(node: dict[str, Any]) -> list[dict[str, Any]]:
    own = [node] if node["Node Type"] == "Hash Join" else []
    return own + [n for below in node.get("Plans", ()) for n in _join_nodes(below)]


def _priced(joins: tuple[Join, ...]) -> list[int]:
    return [number for number, join in enumerate(joins) if join.costs]


def test_no_cost_is_worked_out_for_the_right_joins_of_a_long_plan(monkeypatch: pytest.MonkeyPatch) -> None:
    """Twice the joins, no further evaluation of a cost curve."""
    evaluations = []
    paths = JoinModel.paths

    def counted(self: JoinModel, point: Point) -> Any:
        evaluations.append(point)
        return paths(self, point)

    monkeypatch.setattr(JoinModel, "paths", counted)
    short = _joins(plan_of(600))
    of_short = len(evaluations)
    long = _joins(plan_of(1200))

    assert (len(short), len(long)) == (100, 200)
    assert of_short > 0
    assert len(evaluations) == 2 * of_short
    assert _priced(short) == _priced(long) == list(range(MOST_RIGHT))


def test_what_is_not_priced_is_accurate_and_says_why() -> None:
    """The verdict rests on the counts alone, and no figure is claimed."""
    last = _joins(plan_of(600))[-1]

    assert last.verdict == "accurate"
    assert last.basis == "plan"
    assert last.best_at_actual is None
    assert last.loss_factor is None
    assert "All within a factor of 2, so that no method was priced" in last.why


def test_a_short_plan_is_priced_whole() -> None:
    """No join of an everyday plan is spared."""
    joins = _joins(plan_of(120))

    assert len(joins) == PRICED_WHOLE
    assert len(_priced(joins)) == PRICED_WHOLE


@pytest.mark.parametrize(("rows", "threshold", "expected"), [(990, 10.0, False), (1010, 10.0, True), (800, 1.5, True)])
def test_an_error_is_priced_wherever_it_stands(rows: int, threshold: float, expected: bool) -> None:
    """From twice the estimate of 500 rows on, or from the threshold where that is lower."""
    document = plan_of(600)
    last = _join_nodes(document["Plan"])[-1]
    last["Actual Rows"] = rows
    joins = _joins(document, threshold)

    assert bool(joins[-1].costs) is expected


def test_a_join_that_takes_the_time_is_priced_wherever_it_stands() -> None:
    """An index might serve it, although its counts are right."""
    document = plan_of(600)
    document["Plan"]["Actual Total Time"] = 1000.0
    _join_nodes(document["Plan"])[-1]["Actual Total Time"] = 900.0
    joins = _joins(document)

    assert joins[-1].costs
    assert len(_priced(joins)) > MOST_RIGHT


def test_a_join_that_never_ran_is_no_right_one() -> None:
    """Nothing is known of its counts."""
    document = plan_of(600)
    stack = [_join_nodes(document["Plan"])[-1]]
    while stack:
        node = stack.pop()
        node.update({"Actual Loops": 0, "Actual Rows": 0, "Actual Total Time": 0.0, "Actual Startup Time": 0.0})
        stack.extend(node.get("Plans", ()))

    assert _joins(document)[-1].verdict == "undecided"
