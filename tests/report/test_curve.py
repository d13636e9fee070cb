"""The cost curves: what is drawn, and what is not drawn because it is not known."""

from __future__ import annotations

import re

from rowreckon.report.drawings.curve import curve
from rowreckon.report.drawings.curve_svg import curve_svg
from tests.report import factories as f


def test_sampled_curves_carry_the_switch_point() -> None:
    """Three methods, both ends, the border at 840."""
    chart = curve(f.crossed_join(curve=f.curve_points()))

    assert chart is not None
    assert chart.sampled
    assert [line.method for line in chart.lines] == ["hash", "merge", "nested_loop"]
    assert [mark.label for mark in chart.uprights] == ["expected 12", "switch at 840", "came 48,310"]


def test_the_drawn_curves_cross_where_the_switch_point_stands() -> None:
    """Nested loop below the hash join left of 840, above it to the right: costs fall with y in SVG."""
    chart = curve(f.crossed_join(curve=f.curve_points()))
    assert chart is not None
    lines = {line.method: dict(line.points) for line in chart.lines}
    border = next(mark.at for mark in chart.uprights if mark.kind == "switch")

    for at, cost in lines["nested_loop"].items():
        assert (cost < lines["hash"][at]) == (at < border)


def test_two_known_points_are_joined_up_and_called_that() -> None:
    """Without samples the lines are straight, say so, and show no switch point they might not cross at."""
    chart = curve(f.crossed_join())

    assert chart is not None
    assert not chart.sampled
    assert "the lines between are straight" in chart.caption
    assert {mark.kind for mark in chart.uprights} == {"estimate", "actual"}


def test_no_chart_where_two_points_tell_nothing() -> None:
    """The inner side is wrong too, or there is only one method."""
    assert curve(f.inner_wrong_join()) is None
    assert curve(f.crossed_join(costs={"hash": f.MethodCost(at_estimate=1, at_actual=2)})) is None
    assert curve(f.undecided_join()) is None


def test_the_drawing_tells_methods_apart_without_colour() -> None:
    """Each method has its own marker; each line its name."""
    chart = curve(f.crossed_join(curve=f.curve_points()))
    assert chart is not None
    svg = str(curve_svg(chart))

    assert len(re.findall(r'class="marker hj"', svg)) == len(re.findall(r"<rect[^>]*marker hj", svg)) == 2
    assert len(re.findall(r"<circle[^>]*marker nl", svg)) == 2
    assert len(re.findall(r"<path[^>]*marker mj", svg)) == 2
    assert all(name in svg for name in (">nested loop<", ">hash join<", ">merge join<"))
