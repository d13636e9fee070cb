"""What several processes did whole each is told for one of them, in the figures that the plan prints.

The judge is the plan: below a Gather `Actual Rows` is the average of the processes and `Actual Loops` counts them
(PostgreSQL's documentation, "Parallel Plans": each process runs the part of the plan below the Gather).
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from rowreckon.auditing import audit
from rowreckon.document.audit import Audit
from rowreckon.intake import read_path
from rowreckon.report.words.numbers import number
from rowreckon.report.words.sentences import expected_came
from tests.report import sentences as s

SAMPLES = Path(__file__).parents[2] / "sample_plans"
PARALLEL = ("parallel-workers.14.json", "parallel-workers.18.json")


def _printed(node: dict[str, Any]) -> Iterator[dict[str, Any]]:
    yield node
    for below in node.get("Plans", ()):
        yield from _printed(below)


def _sample(name: str) -> tuple[list[dict[str, Any]], Audit]:
    (document,) = json.loads((SAMPLES / name).read_text("utf-8"))
    return list(_printed(document["Plan"])), audit(read_path(SAMPLES / name), curves=False)


@pytest.mark.parametrize("name", PARALLEL)
def test_a_scan_that_each_process_made_whole_is_told_as_the_plan_prints_it(name: str) -> None:
    """The scan of huts and the hash over it: 600 rows in each process, where the document has their sum."""
    printed, audited = _sample(name)
    seen = 0
    for node, told in zip(printed, audited.plans[0].nodes, strict=True):
        if told.in_each_of is None:
            continue
        seen += 1
        assert told.in_each_of == node["Actual Loops"] > 1
        assert told.actual_rows == pytest.approx(node["Actual Rows"] * node["Actual Loops"])
        words = expected_came(told)
        assert f"expected {number(node['Plan Rows'])}, came {number(node['Actual Rows'])} in each of" in words
        assert number(told.actual_rows) not in words
    assert seen == 2


@pytest.mark.parametrize("name", PARALLEL)
def test_what_processes_share_is_told_in_total(name: str) -> None:
    """A parallel scan, the join that it drives, what stands above: none of them was done whole by each."""
    printed, audited = _sample(name)
    shared = [
        told
        for node, told in zip(printed, audited.plans[0].nodes, strict=True)
        if node["Parallel Aware"] or any(below["Parallel Aware"] for below in _printed(node))
    ]

    assert len(shared) >= 4
    assert all(told.in_each_of is None for told in shared)


@pytest.mark.parametrize("name", PARALLEL)
def test_no_sentence_tells_the_sum_of_what_each_process_did(name: str) -> None:
    """600 huts read by each process are nowhere said to be a table of more rows."""
    _, audited = _sample(name)
    scan = next(node for node in audited.plans[0].nodes if node.relation == "huts")
    total = number(scan.actual_rows)
    said = [text for where, text in s.of_audit(audited) if not where.startswith("JSON")]

    assert any("600 in each of" in text for text in said)
    assert not [text for text in said if f" {total} " in f" {text} "]


def test_a_scan_in_loops_is_told_by_the_loop() -> None:
    """What a subplan's scan read, as the plan prints it of one loop; nowhere the sum of 67 readings of one table."""
    printed, audited = _sample("time-elsewhere.18.json")
    scan = next(node for node in printed if node.get("Relation Name") == "lost_property")
    read, kept = scan["Rows Removed by Filter"] + scan["Actual Rows"], scan["Actual Rows"]
    (told,) = [item.fact for item in audited.plans[0].time_elsewhere if item.kind == "rows_discarded"]

    assert f"read {read:,.0f} rows to keep {kept:,.0f} in each of {scan['Actual Loops']} loops" in told
