"""The row ruler: its geometry, its text, and that it cannot contradict the verdict."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rowreckon.auditing import audit
from rowreckon.document.audit import Join, JoinSide, MethodCost, SwitchPoint
from rowreckon.intake import read_path
from rowreckon.report.drawings.ruler import Ruler, rulers
from rowreckon.report.drawings.ruler_svg import described, ruler_svg
from rowreckon.report.drawings.ruler_text import ruler_text
from tests.report import factories as f

SAMPLES = Path(__file__).parents[2] / "sample_plans"
METHODS = ("nested_loop", "hash", "merge")


def _method_at(ruler: Ruler, rows: float) -> str | None:
    at = math.log10(max(rows, 1.0))
    return next((s.method for s in ruler.stretches if s.start <= at < s.end), None)


def test_estimate_and_actual_lie_on_either_side_of_the_border() -> None:
    """12 and 48,310 outer rows, the border at 840."""
    (ruler,) = rulers(f.crossed_join())

    assert [tick.kind for tick in ruler.ticks] == ["estimate", "switch", "actual"]
    assert [round(tick.at, 3) for tick in ruler.ticks] == [1.079, 2.924, 4.684]
    assert (_method_at(ruler, 12), _method_at(ruler, 48310)) == ("nested_loop", "hash")


def test_a_wrong_inner_side_gets_a_ruler_of_its_own() -> None:
    """With the inner side as expected, with it as it came, and along the inner rows."""
    first, second, inner = rulers(f.inner_wrong_join())

    assert _method_at(first, 210) == "nested_loop"
    assert _method_at(second, 210) == "hash"
    assert inner.side == "inner"
    assert (_method_at(inner, 50), _method_at(inner, 90000)) == ("nested_loop", "hash")


def test_undecided_draws_the_planners_own_choice_and_leaves_all_else_open() -> None:
    """The planner took the nested loop for 12 rows: that much is known, and no more."""
    (ruler,) = rulers(f.undecided_join())

    known = [s for s in ruler.stretches if s.method]
    assert [s.method for s in known] == ["nested_loop"]
    assert known[0].start < math.log10(12) < known[0].end
    assert known[0].end - known[0].start < 0.5
    assert [ruler.stretches[0].start, ruler.stretches[-1].end] == [ruler.low, ruler.high]
    assert [tick.kind for tick in ruler.ticks] == ["estimate", "actual"]


def test_a_crossed_verdict_alone_bounds_the_border() -> None:
    """Cheapest at the 12 rows that were expected, beaten at the 48,310 that came: it lies somewhere between."""
    (ruler,) = rulers(f.crossed_join(switch_points=(), margin=None))

    assert [s.method for s in ruler.stretches] == ["nested_loop", None, "hash"]
    assert [s.start for s in ruler.stretches[1:]] == pytest.approx([math.log10(12), math.log10(48310)])
    assert "hash join from somewhere between 12 and 48,310" in [tick.label for tick in ruler.ticks]


@pytest.mark.parametrize("plan", sorted(SAMPLES.glob("*.json")), ids=lambda path: path.stem)
def test_no_ruler_of_a_sample_is_empty(plan: Path) -> None:
    """Plans really captured from servers 13 to 18: each ruler says of its whole line who leads, or that it is open."""
    audited = audit(read_path(plan))
    for join in (join for one in audited.plans for join in one.joins):
        for ruler in rulers(join):
            assert ruler.stretches
            assert (ruler.stretches[0].start, ruler.stretches[-1].end) == (ruler.low, ruler.high)
        assert join.verdict == "undecided" or any(ruler.methods for ruler in rulers(join))


def test_a_wide_border_leaves_a_stretch_open() -> None:
    """Where the evidence leaves the border between 200 and 3,000, nobody is called cheapest there."""
    point = SwitchPoint(
        from_="nested_loop", to="hash", outer_rows=840, low=200, high=3000, basis="plan", inner_at="estimate"
    )
    (ruler,) = rulers(f.crossed_join(switch_points=(point,)))

    assert [s.method for s in ruler.stretches] == ["nested_loop", None, "hash"]


_rows = st.floats(min_value=0, max_value=1e9, allow_nan=False)


@st.composite
def joins(draw: st.DrawFn) -> Join:
    """Any join that the document's types permit, consistent or not."""
    method, best = draw(st.sampled_from(METHODS)), draw(st.sampled_from((*METHODS, None)))
    points: list[SwitchPoint] = []
    for _ in range(draw(st.integers(0, 4))):
        values: dict[str, Any] = {
            "from_": draw(st.sampled_from(METHODS)),
            "to": draw(st.sampled_from(METHODS)),
            "outer_rows": draw(st.one_of(st.none(), _rows)),
            "low": draw(st.one_of(st.none(), _rows)),
            "high": draw(st.one_of(st.none(), _rows)),
            "inner_at": draw(st.sampled_from(("estimate", "actual"))),
            "along": draw(st.sampled_from(("outer", "outer", "inner"))),
            "inner_from_rows": draw(st.one_of(st.none(), _rows)),
        }
        points.append(SwitchPoint(basis="plan", **values))
    sides = [
        JoinSide(
            node=n,
            estimated_rows=draw(st.one_of(st.none(), _rows)),
            actual_rows=draw(st.one_of(st.none(), _rows)),
            count=draw(st.sampled_from(("exact", "at_least", "reread", "not_run"))),
        )
        for n in (2, 3)
    ]
    costs = {m: MethodCost(at_estimate=draw(_rows), at_actual=draw(_rows)) for m in METHODS if draw(st.booleans())}
    return f.crossed_join(
        method=method,
        best_at_actual=best,
        verdict=draw(st.sampled_from(("crossed", "held", "accurate", "undecided"))),
        outer=sides[0],
        inner=sides[1],
        switch_points=tuple(points),
        costs=costs,
        margin=draw(st.sampled_from((None, f.Margin(up=2.0)))),
    )


@given(joins())
def test_the_deciding_ruler_never_contradicts_the_verdict(join: Join) -> None:
    """Where stretches are drawn, the actual tick stands on the best method's stretch (or within the planner's 1%), a
    crossed join's not on the executed one's, and an undecided join's on none."""
    drawn = rulers(join)
    several = sum(ruler.side == "outer" for ruler in drawn) > 1
    for index, ruler in enumerate(drawn):
        rows = (join.outer if ruler.side == "outer" else join.inner).actual_rows
        # where only the line with the inner side as expected can be drawn, the verdict rests on no line
        decides = ruler.side == "inner" or (index == 1 if several else "as expected" not in ruler.title)
        if rows is None or not decides or not ruler.stretches:
            continue
        here = _method_at(ruler, rows)
        if join.verdict == "undecided":
            assert here is None
        if here is None or join.best_at_actual is None:
            continue
        best = join.costs[join.best_at_actual].at_actual if join.best_at_actual in join.costs else None
        mine = {m: c.at_actual for m, c in join.costs.items()}.get(here)  # type: ignore[call-overload]
        near = best is not None and mine is not None and mine <= best * 1.01
        assert here == join.best_at_actual or near


@given(joins(), st.integers(24, 120), st.booleans())
def test_the_text_keeps_its_width(join: Join, width: int, ascii_only: bool) -> None:
    """No line is wider than asked, whatever the figures; ASCII stays ASCII."""
    for ruler in rulers(join):
        lines = ruler_text(ruler, width, ascii_only=ascii_only)
        words = [word for line in (ruler.title, ruler.note, *(t.label for t in ruler.ticks)) for word in line.split()]
        longest = max(width, *(len(word) for word in words))
        assert all(len(line) <= longest for line in lines)
        if ascii_only:
            assert all(line.isascii() for line in lines)


@given(joins())
def test_every_tick_is_labelled_in_every_drawing(join: Join) -> None:
    """Text, SVG and the SVG's accessible name carry each figure."""
    for ruler in rulers(join):
        text = " ".join(" ".join(ruler_text(ruler, 100)).split())
        svg = str(ruler_svg(ruler))
        for tick in ruler.ticks:
            assert " ".join(tick.label.split()) in text
            assert tick.label in svg
            assert tick.label in described(ruler)


@pytest.mark.parametrize("width", [40, 60, 76])
def test_labels_stand_at_their_marks(width: int) -> None:
    """Under each mark's column its label (or the stem to it) begins, ends or passes."""
    (ruler,) = rulers(f.crossed_join())
    lines = ruler_text(ruler, width)
    band = next(i for i, line in enumerate(lines) if "○" in line)
    for tick, mark in zip(ruler.ticks, "○┃●", strict=True):
        column = lines[band].index(mark)
        row = next(line for line in lines[band + 1 :] if tick.label in line)
        start = row.index(tick.label)
        assert start <= column < start + len(tick.label)


def test_borders_far_off_are_named_and_not_drawn() -> None:
    """A border three orders beyond everything would squeeze the line: it stands in the note."""
    points = [
        SwitchPoint(from_=a, to=b, outer_rows=rows, basis="plan", inner_at="estimate")
        for a, b, rows in (("nested_loop", "hash", 840), ("hash", "nested_loop", 90_000_000))
    ]
    (ruler,) = rulers(f.crossed_join(switch_points=tuple(points)))

    assert ruler.high <= 6
    assert ruler.note == "too far off to be drawn: nested loop from 90,000,000"
    assert [s.method for s in ruler.stretches] == ["nested_loop", "hash"]


def test_two_rulers_that_show_the_same_are_one() -> None:
    """The inner side is off, but no border moves for it."""
    point = {"from_": "nested_loop", "to": "hash", "outer_rows": 840, "basis": "plan"}
    points = (SwitchPoint(inner_at="estimate", **point), SwitchPoint(inner_at="actual", **point))
    inner = JoinSide(node=3, estimated_rows=100, actual_rows=9000, count="exact")
    drawn = rulers(f.crossed_join(inner=inner, switch_points=points))

    assert [ruler.title for ruler in drawn] == ["Outer rows"]
    assert _method_at(drawn[0], 48310) == "hash"
