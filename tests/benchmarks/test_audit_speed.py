"""How long an audit takes beside what it cannot avoid: json.loads of the same text, and the imports of its libraries.

Ratios only, measured side by side in one run: the machines that run this are small and noisy.
"""

from __future__ import annotations

import compileall
import json
import os
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import rowreckon
from rowreckon import auditing
from rowreckon.capture import Capture
from rowreckon.intake import read_text
from rowreckon.joins import JoinVerdicts, judge_joins
from tests.benchmarks.plans import plan_of

START_BAR = 1.3
"""Times the bare imports: where the start of one plan's audit is to get to. The test fails at twice the imports."""


def _seconds(work: Callable[[], object], runs: int = 5) -> float:
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def _without_joins(text: str, monkeypatch: pytest.MonkeyPatch) -> Callable[[], object]:
    """An audit whose joins were judged before: their costs have a bar of their own."""
    captures = read_text(text)
    judged: dict[int, JoinVerdicts] = {}

    def remembered(capture: Capture, *others: Any, **options: Any) -> JoinVerdicts:
        assert capture.explain is not None
        nodes = len(others[0])
        if nodes not in judged:
            judged[nodes] = judge_joins(capture, *others, **options)
        return judged[nodes]

    monkeypatch.setattr(auditing, "judge_joins", remembered)
    auditing.audit(captures)
    return lambda: auditing.audit(read_text(text))


def _ratio(nodes: int, monkeypatch: pytest.MonkeyPatch) -> float:
    text = json.dumps([plan_of(nodes)])
    work = _without_joins(text, monkeypatch)
    return min(_seconds(work, runs=1) / _seconds(lambda: json.loads(text), runs=2) for _ in range(4))


@pytest.mark.full
def test_ten_thousand_nodes_within_fifteen_times_json_loads(monkeypatch: pytest.MonkeyPatch) -> None:
    """Reading, counting, causes and the document of a 10,000-node plan with 1,000 different conditions."""
    ratio = _ratio(10_000, monkeypatch)
    print(f"10,000 nodes: {ratio:.1f} times json.loads")

    assert ratio <= 15


@pytest.mark.full
def test_linear_in_nodes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Four times the nodes take about four times as long: the ratio to json.loads, itself linear, does not grow."""
    small = _ratio(5_000, monkeypatch)
    large = _ratio(20_000, monkeypatch)
    print(f"5,000 nodes: {small:.1f}, 20,000 nodes: {large:.1f} times json.loads")

    assert large <= 1.6 * small


def _cpu_seconds(command: list[str]) -> float:
    """Processor time of one run: a busy machine makes a start longer on the clock, not dearer."""
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=False, capture_output=True, env=environment)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


@pytest.mark.full
@pytest.mark.parametrize("form", ["terminal", "json"])
def test_command_starts_within_twice_its_imports(form: str) -> None:
    """`rowreckon audit` of a plan of thirty nodes against an interpreter that only imports its libraries."""
    # An installed package is compiled; a checkout may not be, and the first run would pay for it.
    compileall.compile_dir(str(Path(rowreckon.__file__).parent), quiet=1)
    plan = Path(__file__).parent / "data" / "thirty-nodes.18.json"
    assert 25 <= plan.read_text().count('"Node Type"') <= 35
    command = [sys.executable, "-m", "rowreckon", "audit", str(plan), "--format", form]
    imports = [sys.executable, "-c", "import pydantic, typer, rich.console, postgast"]
    # pydantic loads most of itself when its classes are first named, which the bar's plain import leaves out.
    with_classes = [*imports[:2], f"{imports[2]}; from pydantic import BaseModel, TypeAdapter"]
    took = [(_cpu_seconds(command), _cpu_seconds(imports), _cpu_seconds(with_classes)) for _ in range(11)]
    ratios = [audit / bare for audit, bare, _ in took]
    ratio = statistics.median(ratios)
    print(f"{form}: {statistics.median(a / c for a, _, c in took):.2f} times the imports with pydantic's classes named")
    missed = f", misses the bar of {START_BAR} by {ratio - START_BAR:.2f}" if ratio > START_BAR else ""
    print(f"{form}: {ratio:.2f} times the bare imports ({min(ratios):.2f} to {max(ratios):.2f}){missed}")

    assert ratio <= 2
