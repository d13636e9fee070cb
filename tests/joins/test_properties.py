"""What must hold of every verdict, whatever the plan: it never contradicts its own costs, switch points and margin.

Plans are generated with the planner's own arithmetic, sizes and errors drawn; no outside figure is checked here, only
that the parts of one answer agree with each other.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rowreckon.capture import Capture
from rowreckon.counts import find_origins, reckon
from rowreckon.document.audit import Join, SwitchPoint
from rowreckon.joins import judge_joins
from rowreckon.plan import lay_out, parse_document
from tests.benchmarks.test_join_speed import plan_of_joins

FUZZ = 1.01


def joins_of(seed: int, count: int = 6) -> tuple[Join, ...]:
    document = parse_document(plan_of_joins(count, seed))
    reckoned = reckon(lay_out(document.plan))
    capture = Capture(name="drawn", server_version=160000, settings={}, explain=document)
    return judge_joins(capture, reckoned, find_origins(reckoned)).joins


def deciding(join: Join) -> list[SwitchPoint]:
    """The switch points along the outer rows on the line that ends at the actual."""
    at = "actual" if any(p.inner_at == "actual" for p in join.switch_points) else "estimate"
    points = [p for p in join.switch_points if p.along == "outer" and p.inner_at == at]
    return sorted(points, key=lambda p: p.outer_rows or 0.0)


@settings(max_examples=60, deadline=None)
@given(st.integers(min_value=0, max_value=10**6))
def test_verdict_agrees_with_costs(seed: int) -> None:
    """Crossed: another method is more than 1% cheaper at the actual rows. Held or accurate: none is."""
    for join in joins_of(seed):
        if join.verdict == "undecided":
            continue
        assert join.loss_factor is not None
        if join.verdict == "crossed":
            assert join.loss_factor > FUZZ
            assert join.best_at_actual not in (None, join.method)
        else:
            assert join.loss_factor <= FUZZ
            assert join.best_at_actual == join.method


@settings(max_examples=60, deadline=None)
@given(st.integers(min_value=0, max_value=10**6))
def test_verdict_agrees_with_switch_points(seed: int) -> None:
    """On the line that ends at the actual, the method that leads there is the best one of the verdict."""
    for join in joins_of(seed):
        points, came = deciding(join), join.outer.actual_rows
        if join.verdict not in ("crossed", "held", "accurate") or not points or came is None:
            continue
        leading = points[0].from_
        for point in points:
            assert point.outer_rows is not None
            assert point.from_ == leading, "one stretch hands over to the next"
            if point.outer_rows > came:
                break
            leading = point.to
        assert leading == join.best_at_actual


@settings(max_examples=60, deadline=None)
@given(st.integers(min_value=0, max_value=10**6))
def test_margin_agrees_with_switch_points(seed: int) -> None:
    """The margin upwards is the distance to the first switch point above the estimate, as long as it was drawn."""
    for join in joins_of(seed):
        start = join.outer.estimated_rows
        if join.margin is None or start is None:
            continue
        above = [
            p.outer_rows
            for p in join.switch_points
            if p.inner_at == "estimate"
            and p.along == "outer"
            and p.from_ == join.method
            and (p.outer_rows or 0) > start
        ]
        if above:
            assert join.margin.up == pytest.approx(min(n for n in above if n is not None) / start)
        assert join.margin.up is None or join.margin.up > 1.0
        assert join.margin.down is None or join.margin.down >= 1.0


@settings(max_examples=40, deadline=None)
@given(st.integers(min_value=0, max_value=10**6))
def test_intervals_hold_their_figure(seed: int) -> None:
    """Every switch point lies in its interval; every cost is finite and above nothing."""
    for join in joins_of(seed):
        for point in join.switch_points:
            if point.outer_rows is not None and point.low is not None and point.high is not None:
                assert point.low <= point.outer_rows <= point.high
        for cost in join.costs.values():
            for figure in (cost.at_estimate, cost.at_actual):
                assert figure is None or (figure > 0 and math.isfinite(figure))


def test_same_input_same_answer() -> None:
    """No order of dictionaries, no clock: the same plan gives the same document."""
    assert joins_of(11, 20) == joins_of(11, 20)
