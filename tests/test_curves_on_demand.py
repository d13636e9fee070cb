"""Reports that hold no cost curves, or no details of nodes, say the same whether those were worked out or not."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from rowreckon import audit, auditing, read_path, render
from rowreckon.auditing import audit_capture
from rowreckon.capture import Capture
from rowreckon.cli.running.output import OutputFormat, holds_curves, holds_details
from rowreckon.document.audit import Audit
from rowreckon.joins.verdict.judge import judge_joins
from rowreckon.joins.verdict.switch_points import outer_lines
from rowreckon.plan.document import parse_document
from tests.benchmarks.test_join_speed import plan_of_joins

SAMPLES = sorted((Path(__file__).parent.parent / "sample_plans").glob("*.18.json"))


def _without_curves(result: Audit) -> Audit:
    plans = tuple(
        plan.model_copy(update={"joins": tuple(join.model_copy(update={"curve": ()}) for join in plan.joins)})
        for plan in result.plans
    )
    return result.model_copy(update={"plans": plans})


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.name)
def test_nothing_else_differs(path: Path) -> None:
    """The audit is the same but for the curves, and so are the reports that have none."""
    full, lean = audit(read_path(path)), audit(read_path(path), curves=False)

    assert lean == _without_curves(full)
    assert render(lean, "markdown") == render(full, "markdown")
    assert render(lean, "text") == render(full, "text")


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.name)
def test_a_terminal_shows_no_details_of_nodes(path: Path) -> None:
    """The audit is the same but for them, and so is what a terminal shows."""
    full, lean = auditing.audit(read_path(path)), auditing.audit(read_path(path), details=False)
    nothing: dict[str, object] = {"conditions": (), "blocks": None, "figures": {}}
    plans = tuple(
        plan.model_copy(update={"nodes": tuple(node.model_copy(update=nothing) for node in plan.nodes)})
        for plan in full.plans
    )

    assert render(lean, "text") == render(full, "text")
    assert all(join.why for plan in lean.plans for join in plan.joins)  # asked: borders that nobody saw are not there
    assert lean == full.model_copy(update={"plans": plans})


@pytest.mark.parametrize(
    ("output", "reports", "verbose", "masked", "holds"),
    [
        (OutputFormat.terminal, [], False, False, False),
        (OutputFormat.terminal, [], True, False, True),
        (OutputFormat.terminal, [], False, True, True),
        (OutputFormat.terminal, ["audit.md"], False, False, True),
        (OutputFormat.markdown, [], False, False, True),
        (OutputFormat.json, [], False, False, True),
    ],
)
def test_who_holds_details(output: OutputFormat, reports: list[str], verbose: bool, masked: bool, holds: bool) -> None:
    """All but a terminal that does not show everything; masking finds names among them."""
    assert holds_details(output, [Path(report) for report in reports], verbose=verbose, masked=masked) is holds


def test_some_plan_has_curves() -> None:
    """What is left out is there otherwise."""
    assert any(join.curve for path in SAMPLES for plan in audit(read_path(path)).plans for join in plan.joins)


@pytest.mark.parametrize(
    ("output", "reports", "holds"),
    [
        (OutputFormat.terminal, [], False),
        (OutputFormat.markdown, ["audit.md", "audit.xml"], False),
        (OutputFormat.json, [], True),
        (OutputFormat.terminal, ["audit.md", "audit.HTML"], True),
        (OutputFormat.terminal, ["audit.json"], True),
    ],
)
def test_who_holds_curves(output: OutputFormat, reports: list[str], holds: bool) -> None:
    """The formats, on standard output or in a file."""
    assert holds_curves(output, [Path(report) for report in reports]) is holds


def test_borders_that_wait_to_be_asked_for_are_those_looked_up_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a terminal is given is the whole audit, of which most joins' borders are looked up only when it asks."""
    capture = Capture(
        name="joins", server_version=160000, settings={}, explain=parse_document(plan_of_joins(24, seed=11))
    )
    whole = audit_capture(capture, curves=False)[0].joins
    looked_up = []

    def counted(*given: Any, **named: Any) -> Any:
        looked_up.append(given)
        return outer_lines(*given, **named)

    monkeypatch.setattr("rowreckon.joins.verdict.assess.outer_lines", counted)
    waiting = audit_capture(capture, curves=False, details=False)[0].joins
    before = len(looked_up)
    asked = [(join.margin, join.why, join.switch_points, join.curve, join.safe_origins) for join in waiting]

    assert before == 0
    assert asked == [(join.margin, join.why, join.switch_points, join.curve, join.safe_origins) for join in whole]
    assert list(waiting) == list(whole)
    assert len(looked_up) == len(whole)  # each once, whatever is asked again


def test_accurate_joins_of_a_short_plan_are_judged_again_where_somebody_asks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing waits with its model in memory, of however many plans an audit is."""
    (path,) = (path for path in SAMPLES if path.name == "hash-join-as-it-should-be.18.json")
    (whole,) = audit(read_path(path)).plans
    judged = []

    def counted(*given: Any, **named: Any) -> Any:
        judged.append(given)
        return judge_joins(*given, **named)

    monkeypatch.setattr("rowreckon.joins.verdict.judge.judge_joins", counted)
    (lean,) = auditing.audit(read_path(path), details=False).plans

    assert not judged
    assert [join.switch_points for join in lean.joins] == [join.switch_points for join in whole.joins]
    assert lean.joins == whole.joins
    assert len(judged) == 1
