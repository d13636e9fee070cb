"""Where a plan's time goes: the parts add up to what the server printed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rowreckon import audit, read_path, read_text
from rowreckon.time_split import PARTS

SAMPLES = Path(__file__).parents[1] / "sample_plans"


def _sum(by: object) -> float:
    return sum(float(getattr(by, part)) for part in PARTS)


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*.json")), ids=lambda p: p.stem)
def test_the_parts_add_up_to_execution_and_planning(path: Path) -> None:
    """As PostgreSQL printed them."""
    printed = json.loads(path.read_text("utf-8"))[0]
    whole = printed["Execution Time"] + printed.get("Planning Time", 0.0)
    by = audit(read_path(path), curves=False).plans[0].time_by

    assert by is not None
    assert _sum(by) == pytest.approx(whole, rel=1e-6)


def test_the_whole_is_the_sum_of_its_plans() -> None:
    """Part by part, over all sample plans."""
    found = audit(read_path(SAMPLES), curves=False)
    assert found.summary.time_by is not None
    for part in PARTS:
        parts = [getattr(plan.time_by, part) for plan in found.plans if plan.time_by is not None]
        if len(parts) == len(found.plans):
            assert getattr(found.summary.time_by, part) == pytest.approx(sum(parts))


def _plan(node: dict[str, object], **more: object) -> str:
    return json.dumps([{"Plan": node, "Execution Time": 100.0, **more}])


def _node(kind: str, ms: float, *below: dict[str, object], **more: object) -> dict[str, object]:
    return {
        "Node Type": kind,
        "Plan Rows": 10,
        "Plan Width": 8,
        "Startup Cost": 0.0,
        "Total Cost": 10.0,
        "Actual Rows": 10,
        "Actual Loops": 1,
        "Actual Startup Time": 0.0,
        "Actual Total Time": ms,
        **({"Plans": [{"Parent Relationship": "Outer", **b} for b in below]} if below else {}),
        **more,
    }


def _split(text: str) -> dict[str, float]:
    by = audit(read_text(text)).plans[0].time_by
    assert by is not None
    return {part: getattr(by, part) for part in PARTS if getattr(by, part)}


def test_sorts_aggregates_scans_and_functions_are_told_apart() -> None:
    """Own times of a chain: 90 of which 60 below, of which 50 below, of which 20 below; 10 ms outside the nodes."""
    below = _node("Seq Scan", 50.0, _node("Function Scan", 20.0))
    found = _split(_plan(_node("Sort", 90.0, _node("Aggregate", 60.0, below))))

    assert found == pytest.approx({"sorts": 30.0, "aggregates": 10.0, "scans": 30.0, "functions": 20.0, "other": 10.0})


def test_compiling_is_taken_from_what_lies_outside_the_nodes_first() -> None:
    """10 ms lie outside; of 28 ms of JIT the other 18 shrink the only node."""
    jit = {"Timing": {"Generation": 8.0, "Total": 28.0}}
    found = _split(_plan(_node("Seq Scan", 90.0), JIT=jit))

    assert found == pytest.approx({"jit": 28.0, "scans": 72.0})


def test_time_in_which_blocks_were_read_is_waiting() -> None:
    """I/O times are cumulative: 25 of the scan's 60 ms, 5 of the sort's own."""
    scan = _node("Seq Scan", 60.0, **{"Shared I/O Read Time": 25.0})
    found = _split(_plan(_node("Sort", 100.0, scan, **{"Shared I/O Read Time": 30.0})))

    assert found == pytest.approx({"waiting": 30.0, "scans": 35.0, "sorts": 35.0})


def test_without_timing_nothing_is_split() -> None:
    """EXPLAIN (ANALYZE, TIMING off): the whole is known, its parts are not."""
    node = {k: v for k, v in _node("Seq Scan", 1.0).items() if not k.endswith("Time")}
    found = audit(read_text(_plan(node)))

    assert found.plans[0].time_by is None
    assert found.summary.time_by is not None
    assert found.summary.time_by.other == pytest.approx(100.0)
