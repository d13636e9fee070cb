"""The same audit on a real local cluster of several worker processes, one of which is killed in the middle."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from distributed import LocalCluster

from rowreckon.archive.audit import audit_archive
from rowreckon.archive.work import Options
from rowreckon.errors import CannotConnect
from tests.archive.logs import entry
from tests.benchmarks.archive_log import plan_document

PLANS = 10_000


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """10,000 plans: 500 generated ones, one in a hundred misestimated, 20 times over."""
    path = tmp_path_factory.mktemp("cluster") / "huts.log"
    draw = random.Random(11)
    documents = [plan_document(draw, n, repeat=True, wrong=n % 100 == 0) for n in range(PLANS // 20)]
    path.write_bytes(b"".join(entry(each, second=n) for n, each in enumerate(documents)) * 20)
    return path


@pytest.fixture(scope="module")
def cluster() -> Iterator[LocalCluster]:
    """Three worker processes, with nannies that start another where one dies."""
    with LocalCluster(n_workers=3, threads_per_worker=1, processes=True, dashboard_address=None) as started:
        yield started


def test_a_killed_worker_loses_nothing_and_counts_nothing_twice(log: Path, cluster: LocalCluster) -> None:
    """Totals and folds equal those of a run in a single process."""
    options = Options(unit_bytes=1 << 20)
    expected = audit_archive([str(log)], options)
    done = 0
    killed: list[int] = []

    def kill(count: int) -> None:
        nonlocal done
        done += count
        if not killed and done > log.stat().st_size // 3:
            pid = next(iter(cluster.workers.values())).pid
            os.kill(pid, signal.SIGKILL)
            killed.append(pid)

    result = audit_archive([str(log)], options, scheduler=cluster.scheduler_address, progress=kill)

    assert killed
    assert expected.summary.plans == PLANS
    assert result.to_json() == expected.to_json()


def test_addresses_are_read_through_fsspec(log: Path, cluster: LocalCluster) -> None:
    """file:// and a pattern name the same log as its path does."""
    options = Options(unit_bytes=4 << 20)
    by_path = audit_archive([str(log)], options)
    by_address = audit_archive([f"file://{log.parent}/*.log"], options, scheduler=cluster.scheduler_address)

    assert by_address.summary == by_path.summary
    assert by_address.folds == by_path.folds
    assert not by_address.rejected


def test_the_command(log: Path, cluster: LocalCluster) -> None:
    """--scheduler ADDRESS."""
    command = [sys.executable, "-m", "rowreckon", "audit", str(log), "--scheduler", cluster.scheduler_address]
    done = subprocess.run(command, capture_output=True, check=False, timeout=300, text=True)

    assert done.returncode == 0, done.stderr
    assert "10,000 plans" in done.stdout


def test_no_scheduler_there(log: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One sentence that says so."""
    monkeypatch.setattr("rowreckon.archive.cluster._CONNECT_SECONDS", "1s")
    with pytest.raises(CannotConnect, match="no Dask scheduler answers"):
        audit_archive([str(log)], scheduler="tcp://127.0.0.1:1")
