"""What auditing an archive costs: beside json.loads of the plans' bytes on one core, in memory, and on two cores.

Ratios only, of processor time measured side by side in one run: the machines that run this are small and noisy. The
logs are generated (`archive_log`): 20 % of their bytes are plans, one plan in 25 holds a misestimated join.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from rowreckon.archive import work
from rowreckon.archive.runner import run_units
from rowreckon.archive.store import FoldStore
from rowreckon.archive.units import units_of
from rowreckon.archive.work import Options
from rowreckon.reading import RawPlan
from rowreckon.reading.logs import read_log
from tests.benchmarks.archive_log import write_log

MB = 1 << 20


def _seconds(work_: Callable[[], object]) -> float:
    start = time.process_time()
    work_()
    return time.process_time() - start


def _bodies(log: Path) -> list[str]:
    with log.open("rb") as stream:
        found = [each for each in read_log(stream) if isinstance(each, RawPlan)]
    return [json.dumps(each.document, indent=2) for each in found]


def _share(log: Path, options: Options, *, fresh: bool) -> float:
    """json.loads' time over the archive's, the best of several rounds; `fresh` forgets all shapes before each."""
    bodies = _bodies(log)

    def load() -> None:
        for body in bodies:
            json.loads(body)

    def run() -> None:
        if fresh:
            work._digesters.clear()
        store = FoldStore()
        for done in run_units(units_of([str(log)]), options):
            store.add(done.sums)
        assert store.whole.totals.plans == len(bodies)

    run()
    return max(_seconds(load) / _seconds(run) for _ in range(8))


@pytest.mark.full
@pytest.mark.parametrize(
    ("repeat", "judge", "bar"),
    [(True, False, 0.30), (False, False, 0.12), (False, True, 0.08)],
    ids=["shapes repeat", "all different", "all different, every misestimated join judged"],
)
def test_throughput_beside_json_loads(tmp_path: Path, repeat: bool, judge: bool, bar: float) -> None:
    """Reading, counting and folding 20 MB of log on one core."""
    log = tmp_path / "huts.log"
    write_log(log, 20 * MB, repeat=repeat)
    share = _share(log, Options(judge=judge), fresh=not repeat)
    print(f"repeat={repeat} judge={judge}: {100 * share:.1f} % of the throughput of json.loads")

    assert share >= bar


def _peak_mb(log: Path) -> float:
    """Peak memory of the command, MB."""
    with subprocess.Popen(
        [sys.executable, "-m", "rowreckon", "audit", str(log), "--format", "json"], stdout=subprocess.DEVNULL
    ) as process:
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0
    return usage.ru_maxrss / 1024


@pytest.mark.parametrize("repeat", [True, False], ids=["shapes repeat", "all different"])
@pytest.mark.parametrize(
    ("small", "large"),
    [(10, 40), *(pytest.param(*sizes, marks=pytest.mark.full) for sizes in ((25, 100), (50, 1024)))],
    ids=["40 MB", "100 MB", "1 GB"],
)
def test_memory_is_flat(tmp_path: Path, small: int, large: int, repeat: bool) -> None:
    """The large log takes at most 60 MB more than the small one, or half of what lies between them."""
    peaks = []
    for size in (small, large):
        log = tmp_path / f"{size}.log"
        write_log(log, size * MB, repeat=repeat)
        peaks.append(_peak_mb(log))
        log.unlink()
    print(f"repeat={repeat}: {small} MB: {peaks[0]:.0f} MB, {large} MB: {peaks[1]:.0f} MB at peak")

    assert peaks[1] <= peaks[0] + min(60, (large - small) / 2)


@pytest.mark.full
def test_two_processes_are_faster(tmp_path: Path) -> None:
    """--jobs 2 at least 1.7 times --jobs 1 on 1 GB, in pairs; needs two cores that nobody else uses."""
    log = tmp_path / "huts.log"
    write_log(log, 1024 * MB, repeat=True)
    ratios = []
    for _ in range(3):
        took = {}
        for jobs in (1, 2):
            command = [sys.executable, "-m", "rowreckon", "audit", str(log), "--jobs", str(jobs), "--format", "json"]
            start = time.perf_counter()
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
            took[jobs] = time.perf_counter() - start
        ratios.append(took[1] / took[2])
    print(f"--jobs 2: {', '.join(f'{r:.2f}' for r in ratios)} times --jobs 1")

    assert statistics.median(ratios) >= 1.7
