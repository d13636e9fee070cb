"""What part of an error a cause accounts for by figures alone (`explains`), never more than the error that enters.

The plans and catalogs were captured from PostgreSQL 18; the figures that are held against are the servers' own.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from rowreckon import audit, read_path
from rowreckon.document.audit import Finding, Plan

ROOT = Path(__file__).parents[2]


def _plan(name: str) -> Plan:
    return audit(read_path(ROOT / name), curves=False).plans[0]


def _finding(plan: Plan, code: str) -> Finding:
    return next(finding for finding in plan.findings if finding.code == code)


def test_a_default_row_count_explains_what_lies_between_it_and_the_rows_that_came() -> None:
    """Both as the server printed them at the function scan."""
    plan = _plan("sample_plans/function-row-default.18.json")
    finding = _finding(plan, "function_row_default")
    scan = next(node for node in plan.nodes if node.id == finding.node)
    assert scan.estimated_rows is not None
    assert scan.actual_rows is not None

    between = max(scan.estimated_rows, scan.actual_rows) / min(scan.estimated_rows, scan.actual_rows)
    assert finding.explains == pytest.approx(between, rel=0.01)


def test_columns_that_go_together_explain_what_their_product_misses() -> None:
    """The catalog's shares of both clauses multiplied, against the share that came: as the planner reckoned."""
    plan = _plan("tests/report/captures/correlated-columns.capture.json")
    finding = _finding(plan, "correlated_columns_equality")
    scan = next(node for node in plan.nodes if node.id == finding.node)

    assert scan.q_error is not None
    assert finding.explains == pytest.approx(scan.q_error, rel=0.05)


@pytest.mark.parametrize("name", ["statistics-not-usable", "run-time-pruning"])
def test_what_is_unexplained_has_no_factor(name: str) -> None:
    """Of each of these a cause is not known."""
    found = [finding for finding in _plan(f"sample_plans/{name}.18.json").findings if finding.code == "unexplained"]

    assert found
    assert all(finding.explains is None for finding in found)


def test_no_cause_explains_more_than_the_error_that_enters_at_its_node() -> None:
    """Whatever its figures are."""
    for path in sorted((ROOT / "tests" / "report" / "captures").glob("*.capture.json")):
        plan = audit(read_path(path), curves=False).plans[0]
        entering = {origin.node: origin.q_error_here for origin in plan.origins}
        for finding in plan.findings:
            here = entering.get(finding.node) if finding.node is not None else None
            if finding.explains is not None and here is not None:
                assert 1.0 <= finding.explains <= here * 1.01
