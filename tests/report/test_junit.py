"""JUnit XML: a case for each query, failures by --fail-on, nothing that the baseline already holds."""

from __future__ import annotations

from xml.etree import ElementTree as ET

from rowreckon.report.formats.junit import failures, render_junit
from tests.report import factories as f


def _suite(text: str) -> ET.Element:
    suite = ET.fromstring(text).find("testsuite")
    assert suite is not None
    return suite


def test_each_query_is_a_case_and_each_unreadable_input_an_error() -> None:
    """Six plans and one rejected input; two crossed; one failed to run."""
    suite = _suite(render_junit(f.mixed_audit(), {"crossed"}))

    assert [suite.get(name) for name in ("tests", "failures", "errors", "skipped")] == ["7", "2", "2", "0"]
    failure = suite.find("testcase/failure")
    assert failure is not None
    assert (failure.get("message") or "").startswith("Expected 12 outer rows, got 48,310. From 840 on")


def test_without_fail_on_nothing_fails() -> None:
    """The default guards nothing."""
    assert _suite(render_junit(f.mixed_audit(), set())).get("failures") == "0"


def test_a_baseline_excuses_what_it_holds() -> None:
    """The same audit twice: nothing is new."""
    audit = f.mixed_audit()

    assert failures(audit, {"crossed", "held", "undecided"}) != []
    assert failures(audit, {"crossed", "held", "undecided"}, audit) == []


def test_a_baseline_excuses_neither_new_queries_nor_worse_verdicts() -> None:
    """A join that held before and crosses now is new; so is one of a query that was not there."""
    before = f.audit(f.crossed_plan(source="a", query="select 1", joins=(f.held_join(),)))
    after = f.audit(
        f.crossed_plan(source="a", query="select 1"), f.crossed_plan(source="b", query="select 2", query_id="7")
    )

    assert [index for index, _ in failures(after, {"crossed"}, before)] == [0, 1]


def test_one_known_join_excuses_one_only() -> None:
    """Two equal joins now against one before: one is new."""
    before = f.audit(f.crossed_plan())
    after = f.audit(f.crossed_plan(joins=(f.crossed_join(), f.crossed_join(node=3, path=(0, 1)))))

    assert len(failures(after, {"crossed"}, before)) == 1


def test_time_is_in_seconds() -> None:
    """As the format's readers expect (common practice, no source)."""
    case = _suite(render_junit(f.crossed_audit(), {"crossed"})).find("testcase")

    assert case is not None
    assert case.get("time") == "1.410" or case.get("time") == "1.411"
