"""Lists of queries: rows in time order, bars whose parts add up, and what a trial brought for the whole list."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rowreckon.document.audit import Combination, SideEffect, TimeBy, Trial, TrialAccount, TrialQuery
from rowreckon.report.drawings.time_bars import bar, bar_text, longest
from rowreckon.report.story.change_lines import change_groups
from rowreckon.report.story.listing import list_rows
from rowreckon.report.story.remedy_story import remedies_story
from rowreckon.report.story.story import join_stories
from rowreckon.report.words.escape import bare
from rowreckon.report.words.list_headline import list_headline, list_time_sentence
from rowreckon.report.words.part_words import PARTS_OF_TIME, whole_of
from tests.report import factories as f

SPLITS = st.builds(TimeBy, **{part.key: st.floats(0.0, 1e6) for part in PARTS_OF_TIME})


def _timed(name: str, ms: float, **more: object) -> f.Plan:
    split = TimeBy(crossed_joins=0.14 * ms, scans=0.86 * ms)
    return f.crossed_plan(**{"source": name, "execution_ms": ms, "time_by": split, "planning_ms": 0.0, **more})


@given(SPLITS, st.integers(10, 120))
def test_a_bar_is_as_long_as_its_time(split: TimeBy, width: int) -> None:
    """In letters and on the page: the parts fill it, in their order, without a gap."""
    scale = 2 * whole_of(split)
    letters = sum(len(text) for text, _ in bar_text(split, scale, width))
    stretches = bar(split, scale)

    assert abs(letters - (width / 2 if scale else 0)) <= 1
    assert sum(s.width for s in stretches) == pytest.approx(0.5 if scale else 0.0, abs=0.01)
    for left, right in pairwise(stretches):
        assert left.start + left.width <= right.start + 1e-9


def test_rows_stand_in_time_order_and_none_is_left_out() -> None:
    """What met its time limit took longest; what failed or was refused comes last."""
    ended = {"joins": (), "nodes": (), "analyzed": False, "execution_ms": None, "time_by": None}
    shown = f.audit(
        f.crossed_plan(source="failed", outcome="failed", **ended),
        _timed("short", 10.0),
        f.crossed_plan(source="late", outcome="timed_out", **ended),
        f.crossed_plan(source="refused", outcome="refused", **ended),
        _timed("long", 1000.0),
    )

    assert [bare(row.name) for row in list_rows(shown)] == ["late", "long", "short", "failed", "refused"]


def test_the_part_outside_crossed_joins_is_said() -> None:
    """14 % in crossed joins never stand without the other 86 %."""
    shown = f.audit(_timed("one", 100.0), _timed("two", 50.0))

    assert "Crossed joins take 14% of 150 ms" in list_headline(shown)
    assert list_time_sentence(shown) == "The time goes to scans and filters 86% and crossed joins 14%."


def test_the_scale_is_the_longest_query() -> None:
    """Nothing timed, no scale."""
    assert longest([None, TimeBy(scans=5.0), TimeBy(jit=7.0)]) == 7.0
    assert longest([None]) == 0.0


def _tried(rank: int, name: str, before: float, after: float, verdict: str, first: int) -> f.Remedy:
    trial = Trial.model_validate(
        {
            "where": "copy",
            "before_ms": before,
            "after_ms": after,
            "verdict": verdict,
            "rank_before": first,
            "queries": (TrialQuery(query=name, before_ms=before, after_ms=after),),
        }
    )
    kept = tuple(SideEffect(query=f"q{number}", change="plan_same") for number in range(165))
    return f.REMEDY.model_copy(update={"rank": rank, "trial": trial, "side_effects": kept, "findings": ()})


def _tried_list() -> f.Audit:
    one = _tried(1, "a", 400.0, 100.0, "helped", 2)
    two = _tried(2, "b", 300.0, 200.0, "helped", 3)
    three = _tried(3, "a", 400.0, 600.0, "harmed", 1)
    four = _tried(4, "b", 300.0, 300.0, "no_effect", 4)
    together = Trial(
        where="copy",
        verdict="helped",
        queries=(
            TrialQuery(query="a", before_ms=400.0, after_ms=110.0),
            TrialQuery(query="b", before_ms=300.0, after_ms=190.0),
        ),
    )
    return f.audit(
        _timed("a", 410.0),
        _timed("b", 290.0),
        _timed("c", 300.0),
        remedies=(one, two, three, four),
        trials=TrialAccount(where="copy", copies=5, combination=Combination(ranks=(1, 2), trial=together)),
    )


def test_a_trials_headline_is_its_result() -> None:
    """Both queries as measured beside each other, the third as it ran: 400 + 300 + 300, then 110 + 190 + 300."""
    expected = "The whole list took 1,000 ms. With changes 1 and 2 together it took 600 ms, 40% less."

    assert expected == list_headline(_tried_list())


def test_what_did_not_help_is_folded_but_never_the_audits_first() -> None:
    """Change 3 did harm and stood first; change 4 had no effect."""
    groups = change_groups(_tried_list())

    assert [line.remedy.rank for line in groups.shown] == [1, 2, 3]
    assert [line.remedy.rank for line in groups.folded] == [4]
    assert bare(groups.shown[2].said) == "a: 400 ms before, 600 ms after. The audit had put it first."
    assert bare(groups.fold) == "1 change that did not help: 1 had no effect"


def test_queries_that_keep_their_plan_are_one_line() -> None:
    """Whatever their number."""
    story = remedies_story(_tried_list().remedies).remedies[0]

    assert story.side_effects == ()
    assert [note for note in story.notes if "keep" in note] == ["165 other queries keep their plan."]


def test_what_did_not_run_is_said_to_be_uncompared_after_a_trial() -> None:
    """No trial tells more: one was made."""
    unknown = SideEffect(query="broken", change="unknown")
    remedy = _tried_list().remedies[0].model_copy(update={"side_effects": (unknown,)})

    assert bare(remedies_story((remedy,)).remedies[0].untold) == "broken could not be compared."


def test_unexplained_is_told_of_a_join_only_where_no_cause_is_known() -> None:
    """A cause that is known is not put beside the words that none is."""
    known = f.FINDING
    unknown = known.model_copy(update={"code": "unexplained"})
    titles = [
        [finding.title for finding in join_stories(f.crossed_plan(findings=found))[0].findings]
        for found in ((known,), (unknown, known), (unknown,))
    ]

    assert titles[0] == titles[1] != titles[2]
    assert len(titles[2]) == 1
