"""Reports that hold no cost curves, or no details of nodes, say the same whether those were worked out or not."""

from __future__ import annotations

from pathlib import Path

import pytest

from rowreckon import audit, auditing, read_path, render
from rowreckon.cli.running.output import OutputFormat, holds_curves, holds_details
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


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.name)
def test_a_terminal_shows_no_details_of_nodes(path: Path) -> None:
    """The audit is the same but for them, and so is what a terminal shows."""
    full, lean = auditing.audit(read_path(path)), auditing.audit(read_path(path), details=False)
    nothing: dict[str, object] = {"conditions": (), "blocks": None, "figures": {}}
    plans = tuple(
        plan.model_copy(update={"nodes": tuple(node.model_copy(update=nothing) for node in plan.nodes)})
        for plan in full.plans
    )

    assert lean == full.model_copy(update={"plans": plans})
    assert render(lean, "text") == render(full, "text")


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
