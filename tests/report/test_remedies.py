"""The changes to try: what several share is said once, and where nothing is known one line says so."""

from __future__ import annotations

import io
import re
from pathlib import Path

import pytest
from rich.console import Console

from rowreckon.auditing import audit
from rowreckon.document.audit import Audit, GainMs, SideEffect
from rowreckon.intake import read_path
from rowreckon.report.formats.html import render_html
from rowreckon.report.formats.markdown import render_markdown
from rowreckon.report.formats.terminal import render_terminal
from rowreckon.report.story.remedy_story import remedies_story
from rowreckon.report.words.escape import bare
from rowreckon.report.words.sources import with_short_sources
from tests.report import factories as f

CAPTURES = Path(__file__).parent / "captures"


@pytest.fixture(scope="module")
def captured() -> Audit:
    """An audit of real captures, with several changes to try."""
    result = audit(read_path(CAPTURES))
    assert len(result.remedies) >= 3
    return result


def _terminal(result: Audit, *, verbose: bool = False, width: int = 80) -> str:
    file = io.StringIO()
    render_terminal(result, Console(file=file, width=width), verbose=verbose)
    return file.getvalue()


def test_standing_cautions_are_said_once(captured: Audit) -> None:
    """The document gives them with each change; a report of them all gives them at its end."""
    assert all(any("EXPLAIN ANALYZE executes" in c for c in r.cautions) for r in captured.remedies)
    for text in (_terminal(captured, verbose=True), render_markdown(captured), render_html(captured)):
        words = " ".join(re.sub(r"<[^>]*>", " ", text).split())
        assert words.count("EXPLAIN ANALYZE executes the statement") == 1
        assert words.count("follow your own change procedure") == 1
        assert words.count("may change the plan of every query on the table") == 1


def test_what_several_changes_share_is_said_once_with_their_numbers(captured: Audit) -> None:
    """Each caution of the document is somewhere in the story, none twice."""
    story = remedies_story(captured.remedies)
    said = [bare(line) for line in (*story.shared, *(c for r in story.remedies for c in r.cautions))]

    assert len(said) == len(set(said))
    for remedy in captured.remedies:
        for caution in remedy.cautions:
            hits = [line for line in said if caution.rstrip(".")[1:] in line]
            assert len(hits) == 1 or "may change the plan of every query" in caution or not hits
    assert any(re.match(r"Changes \d|Every change:", line) for line in said)


def _with_effects(*effects: SideEffect) -> Audit:
    return f.audit(f.crossed_plan(), remedies=(f.REMEDY.model_copy(update={"side_effects": effects, "trial": None}),))


def test_queries_of_which_nothing_is_known_fold_into_one_line() -> None:
    """Their names with --verbose, and in the HTML report behind a fold; what was measured stays a row."""
    unknown = [SideEffect(query=f"query {n}", change="unknown", basis="it reads the table") for n in range(17)]
    result = _with_effects(*unknown, SideEffect(query="measured", change="plan_same", before_ms=2.0, after_ms=2.0))
    line = "17 other queries read this table; a trial tells what the change does to them."

    assert line in _terminal(result, width=200)
    assert "query 16" not in _terminal(result)
    assert "- it reads the table: query 0, query 1" in _terminal(result, verbose=True)
    assert "query 15, query 16" in " ".join(_terminal(result, verbose=True).split())
    assert "Side effect on measured: same plan, 2 ms before, 2 ms after" in " ".join(_terminal(result).split())
    assert line in render_markdown(result)
    assert "query 16" in render_html(result)


def test_few_such_queries_are_named() -> None:
    """Up to three."""
    result = _with_effects(SideEffect(query="guest list", change="unknown"))

    assert "guest list reads this table too; a trial tells what the change does to it." in _terminal(result, width=200)


def test_a_foretold_change_is_a_row_of_its_own() -> None:
    """A query whose plan is expected to change is never folded away."""
    effect = SideEffect(query="night list", change="plan_changed", basis="its plan reads the index")

    assert "Side effect on night list: another plan, not measured (its plan reads the index)." in _terminal(
        _with_effects(effect), width=200
    )


def test_a_reason_does_not_say_its_title_again() -> None:
    """A first sentence of the title's own words goes; a gain from nothing up is 'up to'."""
    remedy = f.REMEDY.model_copy(
        update={
            "kind": "refresh_statistics",
            "columns": (),
            "reason": "Refresh the statistics of public.bookings. It was never analyzed",
            "expected_gain_ms": GainMs(low=0, high=108),
            "trial": None,
        }
    )
    (story,) = remedies_story((remedy,)).remedies

    assert bare(story.reason) == "It was never analyzed. May bring back up to 108 ms (modelled). Confidence 0.9."


def test_names_keep_their_spelling_at_the_start_of_a_sentence() -> None:
    """A sentence that starts with a column's name is not capitalised."""
    remedy = f.REMEDY.model_copy(update={"reason": "batch_no of public.flight_items has few values"})

    assert remedies_story((remedy,)).remedies[0].reason.startswith("batch_no of")


def test_the_folder_that_all_files_share_is_said_once() -> None:
    """And side effects name queries as the list does."""
    effect = SideEffect(query="a/b/two.capture.json", change="unknown")
    plans = [f.crossed_plan(source=f"a/b/{name}.capture.json") for name in ("one", "two")]
    result = f.audit(*plans, remedies=(f.REMEDY.model_copy(update={"side_effects": (effect,)}),))
    short, folder = with_short_sources(result)

    assert folder == "a/b"
    assert [plan.source for plan in short.plans] == ["one", "two"]
    assert short.remedies[0].side_effects[0].query == "two"
    assert _terminal(result).count("a/b") == 1


@pytest.mark.parametrize("sources", [("-",), ("a/x", "y"), ("occupancy by night", "guest list"), ("/x", "b/y")])
def test_names_without_a_common_folder_stay(sources: tuple[str, ...]) -> None:
    """Query names, standard input, files in different places."""
    result = f.audit(*(f.crossed_plan(source=source) for source in sources))

    assert [plan.source for plan in with_short_sources(result)[0].plans] == list(sources)


def test_a_run_of_thirty_queries_fits_two_screens_up_to_the_worst_joins() -> None:
    """Verdict, time, three changes with their SQL and the first ruler within 100 lines of 80 columns."""
    plans = [f.crossed_plan(source=f"query {n}") for n in range(30)]
    lines = _terminal(f.audit(*plans, remedies=(f.REMEDY, f.INDEX_REMEDY, f.REMEDY, f.INDEX_REMEDY))).splitlines()
    ruler = next(number for number, line in enumerate(lines) if "┃" in line)

    assert ruler < 100
    assert sum("CREATE STATISTICS" in line for line in lines[:ruler]) == 2
    assert len(lines) < 220
