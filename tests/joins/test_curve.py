"""The sampled cost curves carry the very figures and borders that the audit states beside them."""

from __future__ import annotations

from pathlib import Path

import pytest

from rowreckon.auditing import audit
from rowreckon.document.audit import CurvePoint, Join
from rowreckon.intake import read_path
from rowreckon.joins.verdict.curve import MOST_CURVES
from tests.report.factories import crossed_join

CAPTURES = Path(__file__).parents[1] / "report" / "captures"


@pytest.fixture(scope="module")
def drawn() -> list[Join]:
    """Every join of the captures that has a curve."""
    plans = audit(read_path(CAPTURES)).plans
    return [join for plan in plans for join in plan.joins if join.curve]


def _lines(join: Join) -> dict[str, list[CurvePoint]]:
    lines: dict[str, list[CurvePoint]] = {}
    for point in join.curve:
        lines.setdefault(point.inner_at, []).append(point)
    return lines


def test_only_judged_joins_are_drawn(drawn: list[Join]) -> None:
    """About twenty samples a line, rising, and none for an accurate join."""
    assert len(drawn) >= 4
    for join in drawn:
        assert join.verdict != "accurate"
        for line in _lines(join).values():
            rows = [point.outer_rows for point in line]
            assert rows == sorted(set(rows))
            assert len(rows) <= 40


def test_costs_at_the_estimate_and_at_the_actual_lie_on_the_curve(drawn: list[Join]) -> None:
    """Each stated figure of a drawn method is met exactly by a sample."""
    met = 0
    for join in drawn:
        lines = _lines(join)
        ends = (("at_estimate", lines["estimate"]), ("at_actual", lines.get("actual", lines["estimate"])))
        for name, line in ends:
            for method in line[0].costs:
                figure = getattr(join.costs[method], name)
                assert figure is None or any(point.costs[method] == figure for point in line), (join.node, method, name)
                met += figure is not None
    assert met >= 2 * len(drawn) >= 8


def test_curves_cross_at_the_switch_points(drawn: list[Join]) -> None:
    """At a sampled border the method above costs no more than the one below, within the planner's tolerance of 1%
    (STD_FUZZ_FACTOR in optimizer/util/pathnode.c)."""
    checked = 0
    for join in drawn:
        for border in join.switch_points:
            line = _lines(join).get(border.inner_at, [])
            here = next((p for p in line if p.outer_rows == border.outer_rows), None)
            if border.along != "outer" or here is None:
                continue
            by_name: dict[str, float | None] = {name: cost for name, cost in here.costs.items()}  # noqa: C416
            below, above = by_name.get(border.from_), by_name.get(border.to)
            if below is not None and above is not None:
                assert above <= below * 1.02
                checked += 1
    assert checked >= 4


def test_a_plan_of_many_joins_stops_drawing() -> None:
    """The cap is what an HTML report draws of one plan."""
    from rowreckon.report.formats.html.evidence import JOINS_WITH_CHART

    assert MOST_CURVES == JOINS_WITH_CHART
    assert crossed_join().curve == ()
