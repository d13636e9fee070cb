"""What a trial takes beside the runs that it measures: the demonstration's list, on the demonstration's database."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from rowreckon.cli.run import run as run_command
from rowreckon.server.lists.querylist import QueryItem
from rowreckon.server.samples.build import sample_script
from rowreckon.server.sweeping.demo import sample_database
from rowreckon.server.trials.stage import Planned, Runs, Stage, execution_ms

BAR = 1.5
"""Times the sum of the measured runs, as the server timed them: where the whole command is to get to."""
HELD = 4.0
"""What is held on a busy machine: copying the database and the sweep's own runs stand beside the measured ones."""


@pytest.mark.full
def test_a_trial_beside_its_measured_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The whole command over the runs on either side, warm-up included; and how many plannings it asks for."""
    ran_ms: list[float] = []
    planned = 0
    run, plan = Stage.run, Stage.plan

    def timed(stage: Stage, item: QueryItem, runs: Runs, limit_ms: float, *, counts: bool = True) -> None:
        before = runs.last
        run(stage, item, runs, limit_ms, counts=counts)
        if runs.last is not None and runs.last is not before:
            ran_ms.append(execution_ms(runs.last))

    def counted(stage: Stage, item: QueryItem) -> Planned:
        nonlocal planned
        planned += 1
        return plan(stage, item)

    monkeypatch.setattr(Stage, "run", timed)
    monkeypatch.setattr(Stage, "plan", counted)
    queries = tmp_path / "queries.sql"
    queries.write_text(sample_script("queries.sql"))
    report = tmp_path / "trial.json"
    with sample_database() as dsn:
        command = ["trial", str(queries), "--dsn", dsn, "--yes", "--allow-privileged-role", "--report", str(report)]
        begun = time.perf_counter()
        status = run_command(command)
        whole_s = time.perf_counter() - begun
    assert status == 0
    assert report.exists()
    ratio = whole_s / (sum(ran_ms) / 1000.0)
    missed = f", misses the bar of {BAR} by {ratio - BAR:.2f}" if ratio > BAR else ""
    print(f"{len(ran_ms)} runs, {sum(ran_ms) / 1000.0:.1f} s; {planned} plannings; whole: {ratio:.2f} times{missed}")

    assert ratio <= HELD
