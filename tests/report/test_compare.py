"""Comparing two audits: what changed, and what is only noise."""

from __future__ import annotations

import io
import re
from html import unescape
from typing import Any

from rich.console import Console

from rowreckon.document.audit import Audit, GainMs, Plan, SwitchPoint
from rowreckon.report.comparing.compare import Comparison, compare, times
from rowreckon.report.comparing.compare_document import comparison_document
from rowreckon.report.formats.compare_text import (
    NO_DIFFERENCE,
    comparison_counts,
    comparison_headline,
    comparison_markdown,
    render_comparison,
)
from rowreckon.report.formats.html.compare_page import comparison_html
from rowreckon.report.story.compared_query import plan_lines, query_title, times_words
from rowreckon.report.story.comparison_ticket import by_change, comparison_ticket
from rowreckon.report.story.list_ticket import ListLine
from rowreckon.report.words.escape import bare
from tests.report import factories as f

GAIN = GainMs(low=100.0, high=900.0)


def cured() -> Plan:
    """The plan after the statistics were gathered: a hash join, the estimate right, the border elsewhere."""
    nodes = [
        n.model_copy(update={"estimated_rows": 47000.0, "q_error": 1.03, "q_error_low": 1.03}) if n.id in (1, 2) else n
        for n in f.crossed_nodes()
    ]
    point = SwitchPoint(from_="nested_loop", to="hash", outer_rows=1300, basis="plan", inner_at="estimate")
    join = f.held_join(method="hash", best_at_actual="hash", verdict="accurate", switch_points=(point,))
    return f.crossed_plan(nodes=tuple(nodes), joins=(join,), runs_ms=(90.0, 95.0, 92.0, 91.0))


def _timed(*runs: float, **more: Any) -> Plan:
    return f.crossed_plan(runs_ms=runs, **more)


def test_the_same_audit_twice_differs_in_nothing() -> None:
    """And it is said in so many words."""
    comparison = compare(f.mixed_audit(), f.mixed_audit())

    assert not comparison.differs
    assert comparison_headline(comparison) == NO_DIFFERENCE


def test_a_lead_that_passes_twice_between_the_same_methods() -> None:
    """Each border is held against its own counterpart: nothing differs from itself, and what moved is the one."""

    def plan(last: float) -> Plan:
        borders = (("nested_loop", "hash", 4.0), ("hash", "nested_loop", 7.0), ("nested_loop", "hash", last))
        points = [
            SwitchPoint(from_=a, to=b, outer_rows=rows, basis="plan", inner_at="estimate") for a, b, rows in borders
        ]
        return f.crossed_plan(joins=(f.crossed_join(switch_points=tuple(points)),))

    assert not compare(f.audit(plan(52.0)), f.audit(plan(52.0))).differs
    (compared,) = compare(f.audit(plan(52.0)), f.audit(plan(90.0))).plans
    assert [(move.before, move.after) for move in compared.moves] == [(52.0, 90.0)]


def test_an_audit_with_trials_compares() -> None:
    """With itself, and with the same before its trial: what a trial found is no difference between the plans."""
    tried = f.tried_audit()
    untried = tried.model_copy(update={"remedies": (f.INDEX_REMEDY,)})

    assert not compare(tried, tried).differs
    assert not compare(untried, tried).differs
    assert not compare(tried, untried).differs


def test_a_cure_shows_in_method_misestimate_switch_point_and_time() -> None:
    """What a ticket's follow-up asks: did the approved change do what was promised?"""
    before = f.audit(_timed(1398.0, 1410.0, 1431.0, 1402.0))
    (plan,) = compare(before, f.audit(cured())).plans
    said = [bare(line) for line in plan_lines(plan)]

    join = "The join of bookings and huts was a nested loop and crossed, now it is a hash join and accurate."
    assert join in said
    assert "Of bookings 12 rows were expected and 48,310 came, now 47,000 are expected." in said
    assert any("from 840 outer rows before, from 1,300 after" in line for line in said)
    assert "faster" in said[0]


def test_one_row_is_told_as_one() -> None:
    """The verb and the noun agree with a figure of one on either side of the change."""
    before, after = _timed(1398.0), cured()
    (scan,) = [node for node in before.nodes if node.relation == "bookings"]
    one = scan.model_copy(update={"estimated_rows": 1.0, "estimated_rows_low": 0.5, "estimated_rows_high": 1.5})
    before = before.model_copy(update={"nodes": tuple(one if node is scan else node for node in before.nodes)})
    (plan,) = compare(f.audit(before), f.audit(after)).plans

    assert any("1 row was expected and 48,310 came" in bare(line) for line in plan_lines(plan))


def test_a_changed_verdict_is_a_change() -> None:
    """Though method, rows, switch points and times stay as they were."""
    held = f.crossed_join(verdict="held", best_at_actual="nested_loop", loss_factor=1.0)
    comparison = compare(f.audit(f.crossed_plan()), f.audit(f.crossed_plan(joins=(held,))))
    (plan,) = comparison.plans

    assert comparison.differs
    assert "The join of bookings and huts was crossed, now it is held." in [bare(line) for line in plan_lines(plan)]
    assert "1 verdict changed" in comparison_counts(comparison)
    assert comparison_document(comparison, "1").plans[0].verdicts[0].after == "held"


def test_one_run_on_each_side_proves_nothing() -> None:
    """And the report says how many would tell."""
    said = times_words(times(_timed(10), _timed(90)))

    assert said.endswith("One run on each side proves nothing; 4 runs on each side would tell.")


def test_the_page_holds_what_the_text_says() -> None:
    """Every line of every query that differs, its two bars, and no script."""
    comparison = compare(f.audit(_timed(1398.0, 1410.0, 1431.0, 1402.0)), f.audit(cured()))
    page = comparison_html(comparison)
    text = " ".join(unescape(re.sub(r"<[^>]+>", "", page.split("</style>")[1])).split())

    for line in plan_lines(comparison.plans[0]):
        assert " ".join(bare(line).split()) in text
    assert page.count('class="timebar"') == 2
    assert "<script" not in page
    assert " style=" not in page


def test_a_misestimate_that_came_is_named() -> None:
    """The other way round."""
    (plan,) = compare(f.audit(cured()), f.audit(f.crossed_plan())).plans

    assert any(line.startswith("New misestimate:") for line in plan_lines(plan))
    assert plan.gone == ()


def test_another_join_order_is_called_that() -> None:
    """A join of other tables is not the same join with another method."""
    other = f.crossed_join(outer=f.JoinSide(node=2, estimated_rows=1, count="exact", tables=("public.guests",)))
    (plan,) = compare(f.audit(f.crossed_plan()), f.audit(f.crossed_plan(joins=(other,)))).plans

    assert any("the join order changed" in line for line in plan_lines(plan))


def test_times_are_told_apart_only_beyond_their_spread() -> None:
    """Exact rank-sum test, extreme case: 4 and 4 runs that do not overlap happen by chance in 2 of C(8, 4) = 70."""
    apart = times(_timed(10, 11, 12, 13), _timed(20, 21, 22, 23))
    mixed = times(_timed(10, 11, 12, 22), _timed(20, 21, 22, 23))
    few = times(_timed(10, 11), _timed(20, 21))

    assert apart.chance == 2 / 70
    assert apart.differ
    assert "slower" in times_words(apart)
    assert not mixed.differ
    assert "The two overlap: no difference is seen." in times_words(mixed)
    assert few.chance == 2 / 6
    assert not few.differ
    assert "of 100 cases; 4 runs on each side would tell." in times_words(few)


def test_queries_are_matched_by_text_whatever_their_source() -> None:
    """Another file name, other white space, the same query."""
    before = f.audit(f.crossed_plan(source="monday.json"), f.crossed_plan(source="x", query="select 2", query_id="9"))
    spaced = f.crossed_plan(source="friday.json", query=f.QUERY.replace("\n", "   "))
    comparison = compare(before, f.audit(spaced))

    assert [(p.before.source, p.after.source) for p in comparison.plans] == [("monday.json", "friday.json")]
    assert [plan.source for plan in comparison.only_before] == ["x"]
    assert comparison.differs


def test_a_query_that_fails_now_differs() -> None:
    """An outcome is part of the comparison."""
    failed = f.crossed_plan(outcome="timed_out", sqlstate="57014")
    (plan,) = compare(f.audit(f.crossed_plan()), f.audit(failed)).plans

    assert plan.differs
    assert "cancelled at its time limit" in plan_lines(plan)[0]


def test_both_renderings_say_the_headline() -> None:
    """Terminal at 60 columns and Markdown."""
    comparison = compare(f.audit(f.crossed_plan()), f.audit(cured()))
    file = io.StringIO()
    render_comparison(comparison, Console(file=file, width=60))

    assert all(len(line) <= 60 for line in file.getvalue().split("\n"))
    headline = comparison_headline(comparison)
    assert headline in " ".join(file.getvalue().split())
    assert headline in comparison_markdown(comparison)


def test_nothing_on_either_side() -> None:
    """Two empty audits."""
    empty: Audit = f.audit()

    assert comparison_headline(compare(empty, empty)).startswith("Nothing to compare")


def test_where_and_when_both_sides_were_captured_is_told() -> None:
    """In every format, before what differs."""
    before = f.audit(f.crossed_plan(server_version=170004, captured_at="2026-11-25T08:38:20+00:00"))
    after = f.audit(f.crossed_plan(server_version=180006, captured_at="2026-11-26T09:00:00+00:00"))
    comparison = compare(before, after)
    file = io.StringIO()
    render_comparison(comparison, Console(file=file, width=100))

    for text in (file.getvalue(), comparison_markdown(comparison), bare(unescape(comparison_html(comparison)))):
        said = re.sub(r"<[^>]*>|\\", "", text)
        assert "Before: PostgreSQL 17.4" in said
        assert "After: PostgreSQL 18.6" in said
        assert said.index("2026-11-25 08:38 UTC") < said.index("2026-11-26 09:00 UTC")


def test_what_changed_most_stands_first_and_says_by_how_much() -> None:
    """By the milliseconds between the medians, beyond the spread of the runs; the names are said once and short."""
    slow, fast = (6000.0, 6100.0, 6200.0, 6300.0), (3000.0, 3100.0, 3200.0, 3300.0)
    before = f.audit(
        _timed(100.0, 101.0, 102.0, 103.0, source="b/alpha.capture.json", query="select 1"),
        _timed(*slow, source="b/omega.capture.json"),
    )
    after = f.audit(
        _timed(200.0, 201.0, 202.0, 203.0, source="a/alpha.capture.json", query="select 1"),
        cured().model_copy(update={"runs_ms": fast, "source": "a/omega.capture.json"}),
    )
    comparison = compare(before, after)
    lines = {line.label: bare(line.said) for line in comparison_ticket(comparison)}

    assert [bare(query_title(plan)) for plan in by_change(comparison.plans)] == ["omega", "alpha"]
    assert lines["Changed most"].startswith("omega, 6,150 ms before, 3,150 ms after: 1.95 times faster.")
    assert lines["Slower"] == "alpha, from 102 ms to 202 ms."
    assert lines["Next"] == "Find out why alpha got slower, before you keep the change."


def test_of_several_slower_queries_the_worst_has_its_times() -> None:
    """By the milliseconds lost; the others are counted and named."""

    def runs(*middles: float) -> Audit:
        return f.audit(
            *(
                _timed(ms - 1, ms, ms, ms + 1, source=name, query=f"select '{name}'")
                for name, ms in zip(("day huts", "night huts", "winter huts"), middles, strict=True)
            )
        )

    slower = _line(compare(runs(50.0, 20.0, 30.0), runs(60.0, 15_000.0, 45.0)), "Slower")

    assert bare(slower.said) == "night huts, from 20 ms to 15.0 s. 2 other queries too: winter huts and day huts."


def _line(comparison: Comparison, label: str) -> ListLine:
    return next(line for line in comparison_ticket(comparison) if line.label == label)


def test_who_is_faster_is_named_in_the_headline() -> None:
    """And further queries that differ are named below, as is the join that is crossed still."""
    other = {"query": "select 1", "source": "other"}
    crossed = f.crossed_plan(nodes=cured().nodes, **other)
    before = f.audit(_timed(1398.0, 1410.0, 1431.0, 1402.0, source="winter"), f.crossed_plan(**other))
    comparison = compare(before, f.audit(cured().model_copy(update={"source": "winter"}), crossed))

    assert bare(comparison_headline(comparison)) == (
        "2 of 2 queries differ: winter is faster, 1 shows no difference in time."
    )
    assert bare(_line(comparison, "Changed too").said) == (
        "Another plan or verdict, without a difference in time: other."
    )
    assert bare(_line(comparison, "Next").said) == (
        "Keep what was changed. other still has a crossed join. It is the nested loop of bookings (outer) with huts "
        "(inner): 48,310 outer rows came instead of 12. No change is proposed for it."
    )
    assert _line(comparison, "Was done").said == "The audits do not tell what was changed between them."


def test_another_setting_is_told_as_what_was_done() -> None:
    """As far as both captures hold their settings."""
    session = f.crossed_plan().session
    assert session is not None
    changed = session.model_copy(update={"settings": {"work_mem": "64MB"}})
    comparison = compare(f.audit(f.crossed_plan()), f.audit(cured().model_copy(update={"session": changed})))

    assert bare(_line(comparison, "Was done").said) == "work_mem was 4MB, now it is 64MB."


def test_a_change_that_is_done_is_not_shown_as_one_to_try() -> None:
    """The second audit proposes it no more; where it does, its statements are the step to take."""
    proposed = f.INDEX_REMEDY.model_copy(update={"findings": f.REMEDY.findings, "expected_gain_ms": GAIN})
    proposing = f.audit(f.crossed_plan(), remedies=(proposed,))
    done = compare(proposing, f.audit(cured()))
    not_done = compare(proposing, proposing)

    assert "is no longer proposed" in bare(plan_lines(done.plans[0])[-1])
    assert _line(done, "Next").command == ""
    assert bare(_line(done, "Was done").said).startswith(
        "Perhaps change 2 of the first audit, which is no longer proposed: build an index on weather_logs (hut_id)."
    )
    step = _line(not_done, "Next")
    assert bare(step.said).startswith("Try change")
    assert step.command.startswith("CREATE INDEX")


def test_a_bar_is_as_long_as_the_median_that_is_told() -> None:
    """Whatever the captured run took."""
    page = comparison_html(compare(f.audit(_timed(1000.0, 2000.0, 3000.0)), f.audit(cured())))

    assert '<span class="took">2,000 ms</span>' in page
    assert "2,000 ms (1,000 ms to 3,000 ms, 3 runs) before" in page
