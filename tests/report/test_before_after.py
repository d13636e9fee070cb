"""Two rulers of one join, before and after a change: rules of this project's own design, no source."""

from __future__ import annotations

import io
import math
from typing import Any

import pytest
from rich.console import Console

from rowreckon.document.audit import Audit, Join, JoinSide, Remedy, Trial
from rowreckon.report.drawings.before_after import BeforeAfter, before_after, join_now
from rowreckon.report.formats.html import render_html
from rowreckon.report.formats.markdown import render_markdown
from rowreckon.report.formats.terminal import render_terminal
from rowreckon.report.story.remedy_story import remedies_story
from rowreckon.report.words.escape import bare
from tests.report import factories as f


def _side(node: int, *tables: str, rows: float = 480, expected: float | None = None) -> JoinSide:
    return JoinSide(
        node=node,
        estimated_rows=rows if expected is None else expected,
        actual_rows=rows,
        count="exact",
        tables=tuple(f"public.{table}" for table in tables),
    )


def _join(node: int, outer: tuple[str, ...], inner: tuple[str, ...], **more: Any) -> Join:
    return f.held_join(node=node, outer=_side(node + 1, *outer), inner=_side(node + 2, *inner), **more)


def _remedy(*after: Join, **trial: Any) -> Remedy:
    assert f.TRIED.trial is not None
    (query,) = f.TRIED.trial.queries
    values = {"queries": (query.model_copy(update={"joins_after": after}),), **trial}
    return f.TRIED.model_copy(update={"trial": f.TRIED.trial.model_copy(update=values)})


def _pairs(*after: Join, **trial: Any) -> tuple[BeforeAfter, ...]:
    return before_after(_remedy(*after, **trial), (f.crossed_plan(),))


def test_the_same_join_on_the_same_scale() -> None:
    """12 expected before, 47,215 after, one scale, one border each."""
    (pair,) = _pairs(*f.joins_after())

    assert (pair.before.low, pair.before.high) == (pair.after.low, pair.after.high)
    assert [tick.rows for tick in pair.before.ticks] == [12, 840, 48310]
    assert [tick.rows for tick in pair.after.ticks] == [861, 47215, 48310]
    assert pair.before.title == "Before, a nested loop: outer rows"
    assert pair.after.title == "After change 1, a hash join: outer rows"
    for ruler in (pair.before, pair.after):
        assert ruler.stretches[0].start == ruler.low
        assert ruler.stretches[-1].end == ruler.high


def test_the_wider_of_both_scales() -> None:
    """What came after reaches far beyond: the ruler before reaches as far, its last stretch with it."""
    (after,) = f.joins_after()
    far = after.model_copy(update={"outer": _side(3, "bookings", rows=7_000_000)})
    (pair,) = _pairs(far)

    assert pair.before.high == pair.after.high == math.ceil(math.log10(7_000_000) + 0.15)
    assert pair.before.stretches[-1].end == pair.before.high


def test_turned_sides_are_said() -> None:
    """The table that was read as outer is built into a hash table now."""
    (after,) = f.joins_after()
    turned = after.model_copy(update={"outer": after.inner, "inner": after.outer})
    (pair,) = _pairs(turned)

    assert pair.after.title.startswith("After change 1, a hash join, its sides turned: ")
    assert "before and after" in bare(pair.lead)


def test_another_join_order_is_said() -> None:
    """The join is gone; the one over the same tables, else the smallest that holds them, stands for it."""
    before = _join(1, ("bookings", "huts"), ("guests",))
    same_tables = _join(1, ("bookings",), ("guests", "huts"))
    wider = _join(4, ("flights",), ("bookings", "guests", "huts"))
    widest = _join(1, ("flights", "bookings", "huts", "guests"), ("weather",))
    other = _join(9, ("flights",), ("weather",))

    assert join_now(before, (widest, wider, same_tables, other)) is same_tables
    assert join_now(before, (widest, wider, other)) is wider
    assert join_now(before, (other,)) is None

    (pair,) = _pairs(_join(1, ("bookings", "guests"), ("huts",), method="hash"))
    assert "another join order came" in bare(pair.lead)
    assert "The nearest that holds its tables is the join of public.bookings and public.guests" in bare(pair.lead)
    assert _pairs(other) == ()


def test_a_self_join_goes_by_its_condition() -> None:
    """Two joins over the same tables: the one whose condition has the same words."""
    one = _join(1, ("guests",), ("guests",), condition="(g.id = leader.leads)")
    two = _join(4, ("guests",), ("guests",), condition="(g.hut_id = rival.hut_id)")
    before = _join(1, ("guests",), ("guests",), condition="(rival.hut_id = g.hut_id)")

    assert join_now(before, (one, two)) is two
    assert join_now(before, (two, one)) is two


def test_nothing_is_drawn_where_nothing_moved() -> None:
    """The same method with the same marks would be the same picture twice."""
    assert _pairs(f.crossed_join(node=7)) == ()
    assert _pairs(f.crossed_join(node=7, method="hash")) != ()
    assert _pairs() == ()


@pytest.mark.parametrize("trial", [None, Trial(where="copy", verdict="not_applied", reason="no right to it")])
def test_nothing_is_drawn_of_what_was_not_in_force(trial: Trial | None) -> None:
    """Untried, or not applied."""
    assert before_after(f.TRIED.model_copy(update={"trial": trial}), (f.crossed_plan(),)) == ()


def test_audits_that_keep_no_plan_number() -> None:
    """Then the query's name leads to its plan; a number beyond the plans leads nowhere."""
    assert f.TRIED.trial is not None
    (query,) = f.TRIED.trial.queries

    assert _pairs(queries=(query.model_copy(update={"plan": None}),)) != ()
    assert _pairs(queries=(query.model_copy(update={"plan": None, "query": "another"}),)) == ()
    assert _pairs(queries=(query.model_copy(update={"plan": 7}),)) == ()


def test_a_pair_a_query_and_no_more_than_three() -> None:
    """A change that is meant for many queries draws the first."""
    assert f.TRIED.trial is not None
    (query,) = f.TRIED.trial.queries

    assert len(_pairs(queries=(query,) * 2)) == 2
    assert len(_pairs(queries=(query,) * 9)) == 3


def test_a_report_of_many_changes_draws_the_first() -> None:
    """Twelve pairs in all; each change whose joins are left out says so."""
    remedies = tuple(f.TRIED.model_copy(update={"rank": rank}) for rank in range(1, 21))
    stories = remedies_story(remedies, (f.crossed_plan(),)).remedies

    assert [len(story.pairs) for story in stories] == [1] * 12 + [0] * 8
    assert [any("JSON output" in note for note in story.notes) for story in stories] == [False] * 12 + [True] * 8


def _formats(audit: Audit) -> dict[str, str]:
    file = io.StringIO()
    render_terminal(audit, Console(file=file, width=80))
    return {"terminal": file.getvalue(), "markdown": render_markdown(audit), "html": render_html(audit)}


def test_every_format_draws_both() -> None:
    """One below the other, with what was expected, what came and the border on each."""
    for form, text in _formats(f.tried_audit()).items():
        start = text.index("before and after")
        places = [
            text.index(part, start)
            for part in ("Before, a nested loop", "expected 12", "After change 1, a hash join", "expected 47,215")
        ]
        assert places == sorted(places), form
        assert "hash join from 861" in text[places[2] :], form


def test_without_a_trial_nothing_is_added() -> None:
    """No heading without a ruler."""
    for text in _formats(f.audit(f.crossed_plan(), remedies=(f.INDEX_REMEDY,))).values():
        assert "before and after:" not in text
        assert "After change" not in text
