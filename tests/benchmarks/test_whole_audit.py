"""What a person waits for: the whole command on a plan of 10,000 nodes with 1,662 joins, joins and rendering included.

The figures of `test_audit_speed.py`, which leave out joins and rendering, stay beside these.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.benchmarks.plans import plan_of, plan_with_wrong_joins
from tests.benchmarks.processes import audit_command, times_loads

NODES = 10_000
FORMATS = ("terminal", "markdown", "json", "html")
BARS = {"terminal": 15.0, "markdown": 20.0, "json": 25.0, "html": 25.0}
WRONG_BARS = {"terminal": 25.0, "markdown": 40.0, "json": 45.0, "html": 45.0}
"""Times json.loads. Those of the terminal are the ones to reach; the others only keep what was won."""

MOST_MIB = 150.0


def _written(folder: Path, nodes: int, wrong: int = 0) -> Path:
    path = folder / f"{nodes}-{wrong}.json"
    if not path.exists():
        path.write_text(json.dumps([plan_with_wrong_joins(nodes, wrong) if wrong else plan_of(nodes)]))
    return path


def _command(path: Path, form: str) -> list[str]:
    if form == "html":  # a file; what is printed beside it is the terminal's report
        return audit_command(str(path), "--report", str(path.with_suffix(".html")))
    return audit_command(str(path), "--format", form)


@pytest.mark.full
@pytest.mark.parametrize("form", FORMATS)
def test_accurate_joins_cost_almost_nothing(form: str, tmp_path: Path) -> None:
    """10,000 nodes, 1,662 joins whose counts are right; memory too, where nothing is kept for another format."""
    path = _written(tmp_path, NODES)
    ratio, peak = times_loads(_command(path, form), path)
    print(f"{form}: {ratio:.1f} times json.loads, {peak:.0f} MiB")

    assert ratio <= BARS[form]
    assert form != "terminal" or peak <= MOST_MIB


@pytest.mark.full
@pytest.mark.parametrize("form", FORMATS)
def test_two_hundred_misestimated_joins(form: str, tmp_path: Path) -> None:
    """The same number of nodes and joins, 200 of the joins off by more than the threshold, none alike."""
    path = _written(tmp_path, NODES, 200)
    ratio, peak = times_loads(_command(path, form), path)
    print(f"{form}: {ratio:.1f} times json.loads, {peak:.0f} MiB")

    assert ratio <= WRONG_BARS[form]


@pytest.mark.full
def test_the_command_is_linear_in_nodes(tmp_path: Path) -> None:
    """Over 5,000, 10,000 and 20,000 nodes the ratio to json.loads, itself linear, does not grow."""
    ratios = []
    for nodes in (5_000, 10_000, 20_000):
        path = _written(tmp_path, nodes)
        ratios.append(times_loads(_command(path, "terminal"), path, runs=3)[0])
    print(f"5,000, 10,000 and 20,000 nodes: {', '.join(f'{r:.1f}' for r in ratios)} times json.loads")

    assert ratios[1] <= 1.3 * ratios[0]
    assert ratios[2] <= 1.3 * ratios[1]
