"""Reports that hold no cost curves say the same whether curves were sampled or not."""

from __future__ import annotations

from pathlib import Path

import pytest

from rowreckon import audit, read_path, render
from rowreckon.cli.running.output import OutputFormat, holds_curves
from rowreckon.document.audit import Audit

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
