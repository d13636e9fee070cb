"""The first screen of a list answers which join, how wrong, whether it mattered, what to do, and what else is touched.

The figures are those of the audit that is told; the words are ours.
"""

from __future__ import annotations

import pytest

from rowreckon.document.audit import Combination, Rejected, SideEffect, TimeBy, Trial, TrialAccount, TrialQuery
from rowreckon.report.formats.html import render_html
from rowreckon.report.formats.markdown import render_markdown
from rowreckon.report.story.list_ticket import ListLine, list_ticket
from rowreckon.report.story.listing import list_rows
from rowreckon.report.words.changes.trial_headline import trial_result
from rowreckon.report.words.escape import bare
from rowreckon.report.words.list_headline import crossed_before, list_headline
from rowreckon.report.words.list_splits import list_splits, whole_split
from rowreckon.report.words.part_words import whole_of
from tests.report import factories as f


def _lines(audited: f.Audit) -> dict[str, ListLine]:
    return {line.label: line for line in list_ticket(audited)}


def _remedy(plan: int, **more: object) -> f.Remedy:
    return f.REMEDY.model_copy(update={"findings": (f.FindingRef(plan=plan, finding=0),), "rank": 1, **more})


def _ended(source: str, outcome: str) -> f.Plan:
    kept = {"joins": (), "nodes": (), "findings": (), "analyzed": False, "execution_ms": None, "time_by": None}
    return f.crossed_plan(source=source, outcome=outcome, **kept)


def _two(*remedies: f.Remedy) -> f.Audit:
    """Two queries with a crossed join, the first the longer, a third that failed."""
    return f.audit(
        f.crossed_plan(source="long"),
        f.crossed_plan(source="short", execution_ms=100.0),
        _ended("broken", "failed"),
        remedies=remedies,
    )


def test_the_worst_join_is_named_with_its_rows_and_its_loss() -> None:
    """Which query, which tables, by which method, how many rows, and what it cost."""
    said = bare(_lines(_two(_remedy(0)))["Worst"].said)

    assert said.startswith("long, nested loop of bookings (outer) with huts (inner).")
    assert "48,310 outer rows came instead of 12." in said
    assert "here 38 times" in said


def test_the_change_for_the_worst_query_stands_first_with_its_statements() -> None:
    """Whatever its rank; those that read the tables too are named."""
    effect = SideEffect(query="short", change="unknown")
    line = _lines(_two(_remedy(1), _remedy(0, rank=2, side_effects=(effect,))))["Try"]

    assert bare(line.said).startswith("Change 2, for long.")
    assert line.command.endswith(";")
    assert "Here also short reads it." in bare(line.note)
    assert "1 further change below." in line.note


def test_a_worst_query_without_a_change_says_that_it_has_none() -> None:
    """The best change for another query follows, and the row says it too."""
    audited = _two(_remedy(1))
    lines = _lines(audited)

    assert "No change is proposed" in bare(lines["Worst"].said)
    assert bare(lines["Try"].said).startswith(
        "Change 1, for another query, short: 48,310 outer rows came instead of 12 (crossed)."
    )
    assert [row.lacks_change for row in list_rows(audited)] == [True, False, False]


def test_what_a_change_that_names_no_table_touches_is_its_first_caution() -> None:
    """ALTER FUNCTION … ROWS concerns whoever calls the function."""
    caution = "every query that calls the function is planned with this number"
    line = _lines(_two(_remedy(0, tables=(), cautions=(caution,), kind="function_rows")))["Try"]

    assert "Every query that calls the function is planned with this number." in bare(line.note)


def test_what_did_not_run_and_what_was_not_read_is_named() -> None:
    """In the headline by number, in a line by name."""
    rejected = (Rejected(source="cut-off.json", reason="not valid JSON"),)
    audited = _two(_remedy(0)).model_copy(update={"rejected": rejected})
    lines = _lines(audited)

    assert bare(lines["Not run"].said) == "Failed: broken."
    assert bare(lines["Not read"].said) == "cut-off.json: not valid JSON."
    assert "1 input could not be read." in list_headline(audited)
    assert "1 query did not run to the end." in list_headline(audited)


def _tried() -> f.Audit:
    split = TimeBy(crossed_joins=80.0, scans=20.0)
    plans = [f.crossed_plan(source=name, execution_ms=99.0, planning_ms=1.0, time_by=split) for name in ("a", "b", "c")]
    measured = (TrialQuery(query="a", before_ms=300.0, after_ms=50.0, time="faster"),)
    helped = Trial(where="copy", verdict="helped", before_ms=290.0, after_ms=60.0, rank_before=1)
    idle = Trial(where="copy", verdict="no_effect", rank_before=2)
    together = Trial(where="copy", verdict="helped", queries=measured)
    effects = (SideEffect(query="b", change="plan_same"), SideEffect(query="c", change="plan_changed", time="slower"))
    combined = Combination(ranks=(1,), trial=together, side_effects=effects)
    return f.audit(
        *plans,
        remedies=(_remedy(0, trial=helped), _remedy(1, rank=2, trial=idle)),
        trials=TrialAccount(where="copy", copies=2, combination=combined),
    )


def test_a_trial_says_what_helped_what_did_not_and_who_got_slower() -> None:
    """One pair of figures for a query: that of the changes together."""
    lines = _lines(_tried())

    assert bare(lines["Helped"].said) == "Change 1, tried on a copy: a 300 ms before, 50 ms after."
    assert "Slower: c. 1 other query keeps its plan." in bare(lines["Helped"].note)
    assert bare(lines["Also tried"].said).startswith("Change 2, for b, had no effect: gather more statistics on")


def test_a_larger_set_tells_whom_it_slows() -> None:
    """What it would bring stands beside the set that slows nobody; a query that ran into its limit has no factor."""
    tried = _tried()
    measured = (TrialQuery(query="a", before_ms=300.0, after_ms=40.0, time="faster"),)
    effects = (
        SideEffect(query="b", change="plan_changed", time="slower", before_ms=10.0, after_ms=16.0),
        SideEffect(query="c", change="plan_changed", time="slower", before_ms=10.0, after_ms=11.5),
        SideEffect(query="d", change="plan_changed", time="slower", before_ms=10.0),
    )
    trial = Trial(where="copy", verdict="helped", before_ms=300.0, after_ms=40.0, queries=measured)
    assert tried.trials is not None
    further = Combination(ranks=(1, 2), trial=trial, side_effects=effects)
    lines = _lines(tried.model_copy(update={"trials": tried.trials.model_copy(update={"further": further})}))

    told = bare(lines["Helped"].note)
    assert "Changes 1 and 2 together: 300 ms before, 40 ms after." in told
    assert "But they slow b by 1.6 times and d beyond its time limit." in told


def test_a_change_without_effect_shows_what_was_measured() -> None:
    """Of several that did not help, the one for the worst query."""
    tried = _tried()
    idle = tried.remedies[1]
    assert idle.trial is not None

    def timed(plan: int, rank: int, name: str) -> f.Remedy:
        queries = (TrialQuery(query=name, before_ms=114.0, after_ms=113.0),)
        trial = idle.trial.model_copy(update={"queries": queries}) if idle.trial is not None else None
        return _remedy(plan, rank=rank, trial=trial)

    alone = tried.model_copy(update={"remedies": (tried.remedies[0], timed(1, 2, "b"))})
    several = tried.model_copy(update={"remedies": (tried.remedies[0], timed(1, 2, "b"), timed(0, 3, "a"))})

    assert bare(_lines(alone)["Also tried"].said).endswith(". b: 114 ms before, 113 ms after.")
    assert bare(_lines(several)["Also tried"].said) == (
        "Changes 2 and 3 had no effect. Change 3, a: 114 ms before, 113 ms after."
    )


@pytest.mark.parametrize("render", [render_html, render_markdown])
def test_a_trial_says_how_much_of_its_list_was_crossed(render: object) -> None:
    """Above the lines, at any width; a report without a trial has it in its headline."""
    said = "Before, 3 of 3 joins were crossed, in 3 of 3 queries."

    assert crossed_before(_tried()) == said
    assert said in render(_tried())  # type: ignore[operator]
    assert crossed_before(_two(_remedy(0))) == ""


def test_the_bars_of_a_trial_add_up_to_its_headline() -> None:
    """300 ms as the trial measured it, and twice the 100 ms of the sweep, planning included."""
    audited = _tried()
    result, whole = trial_result(audited), whole_split(audited)

    assert result is not None
    assert whole is not None
    assert sum(whole_of(split) for split in list_splits(audited).values()) == pytest.approx(result.before_ms)
    assert whole_of(whole) == pytest.approx(500.0)
    assert [row.ms for row in list_rows(audited)] == pytest.approx([300.0, 100.0, 100.0])


@pytest.mark.parametrize("render", [render_html, render_markdown])
def test_every_report_holds_the_lines(render: object) -> None:
    """Page and ticket alike, above the list."""
    shown = render(_two(_remedy(0)))  # type: ignore[operator]

    assert shown.index("Worst") < shown.index("Where each query")
    assert shown.index("Try") < shown.index("Where each query")


def test_several_changes_name_each_table_and_each_lock_once() -> None:
    """And which of them no transaction may hold."""
    tried = _tried()
    one = tried.remedies[0].model_copy(update={"tables": ("public.bookings", "public.huts"), "lock": "SHARE"})
    more = (
        one.model_copy(update={"rank": 2, "tables": ("public.huts",), "transactional": False}),
        one.model_copy(update={"rank": 3, "tables": ("public.guests",), "lock": "SHARE ROW EXCLUSIVE"}),
    )
    account = tried.trials
    assert account is not None
    assert account.combination is not None
    combined = account.combination.model_copy(update={"ranks": (1, 2, 3)})
    trials = account.model_copy(update={"combination": combined})
    note = bare(_lines(tried.model_copy(update={"remedies": (one, *more), "trials": trials}))["Helped"].note)

    assert note.startswith("May change the plan of every query on bookings, huts and guests. ")
    assert note.endswith("Takes SHARE and SHARE ROW EXCLUSIVE locks. Change 2 cannot run in a transaction block.")


def test_each_of_several_changes_says_for_which_query_it_is() -> None:
    """By its number beside the query and above its statements; that the worst query has none of them is said."""
    tried = _tried()
    account = tried.trials
    assert account is not None
    assert account.combination is not None
    both = (
        TrialQuery(query="b", before_ms=300.0, after_ms=50.0, time="faster"),
        TrialQuery(query="c", before_ms=90.0, after_ms=40.0, time="faster"),
    )
    trial = account.combination.trial.model_copy(update={"queries": both})
    combined = account.combination.model_copy(update={"ranks": (1, 2), "trial": trial, "side_effects": ()})
    remedies = tuple(
        tried.remedies[0].model_copy(
            update={"rank": rank, "findings": (f.FindingRef(plan=rank, finding=0),), "sql": (sql,)}
        )
        for rank, sql in ((1, "ANALYZE bookings"), (2, "ANALYZE huts"))
    )
    trials = account.model_copy(update={"combination": combined})
    line = _lines(tried.model_copy(update={"remedies": remedies, "trials": trials}))["Helped"]

    assert bare(line.said) == (
        "Changes 1 and 2 together, tried on a copy: b (change 1) 300 ms before, 50 ms after. "
        "c (change 2) 90 ms before, 40 ms after. None of them is for a."
    )
    assert line.command == "-- change 1\nANALYZE bookings;\n-- change 2\nANALYZE huts;"


def test_one_query_that_did_not_run_says_why() -> None:
    """Of several the names alone; the list has each reason."""
    reasons = {"x": "division by zero", "y": "no such column"}
    ended = [_ended(name, "failed").model_copy(update={"reason": why}) for name, why in reasons.items()]

    assert bare(_lines(f.audit(f.crossed_plan(), ended[0]))["Not run"].said) == "Failed: x (division by zero)."
    assert bare(_lines(f.audit(f.crossed_plan(), *ended))["Not run"].said) == "Failed: x and y."
