"""An archive whose workers, cluster or reader go away: one sentence, what was done kept, no traceback, no hang."""

from __future__ import annotations

import json
import os
import random
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from distributed import LocalCluster

from rowreckon.archive import cluster as cluster_module
from rowreckon.archive import runner
from rowreckon.archive.audit import audit_archive
from rowreckon.archive.partial import Partial
from rowreckon.archive.units import Unit
from rowreckon.archive.work import Options, run_unit
from rowreckon.errors import CannotConnect
from tests.archive.logs import entry
from tests.benchmarks.archive_log import plan_document
from tests.cli.running import rowreckon

PLANS = 2_000
SMALL = Options(unit_bytes=64 << 10)


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """2,000 plans of 100 kinds, one in ten misestimated."""
    path = tmp_path_factory.mktemp("ending") / "huts.log"
    draw = random.Random(5)
    documents = [plan_document(draw, n, repeat=True, wrong=n % 10 == 0) for n in range(100)]
    path.write_bytes(b"".join(entry(each, second=n) for n, each in enumerate(documents)) * (PLANS // 100))
    return path


@contextmanager
def alone(workers: int) -> Iterator[LocalCluster]:
    """A cluster whose workers nobody starts anew."""
    with LocalCluster(n_workers=0, threads_per_worker=1, processes=True, dashboard_address=None) as started:
        if workers:
            started.scale(workers)
            started.wait_for_workers(workers)
        yield started


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same waiting, shorter."""
    monkeypatch.setattr(cluster_module, "_PATIENCE_S", 2.0)


def test_a_cluster_without_workers_is_said(log: Path, impatient: None) -> None:
    """Nothing could be done at all: one sentence."""
    with alone(0) as started, pytest.raises(CannotConnect, match="has no worker"):
        audit_archive([str(log)], SMALL, scheduler=started.scheduler_address)


def test_what_was_folded_is_kept_when_the_workers_end(log: Path, impatient: None) -> None:
    """The report holds what came back; the rest is named."""
    with alone(1) as started:
        done: list[int] = []

        def end(count: int) -> None:
            done.append(count)
            if len(done) == 3:
                started.scale(0)

        result = audit_archive([str(log)], SMALL, scheduler=started.scheduler_address, progress=end)
    assert 0 < result.summary.plans < PLANS
    assert any("has no worker" in item.reason for item in result.rejected)
    assert any("bytes were read" in item.reason for item in result.rejected)


SCHEDULER = """
import sys
from distributed import LocalCluster
if __name__ == "__main__":
    with LocalCluster(n_workers=1, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        print(cluster.scheduler_address, flush=True)
        sys.stdin.read()
"""


def test_a_scheduler_that_is_killed(log: Path, tmp_path: Path, impatient: None) -> None:
    """The scheduler's process is gone in the middle: the same."""
    program = tmp_path / "start.py"
    program.write_text(SCHEDULER)
    started = subprocess.Popen(
        [sys.executable, str(program)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    )
    assert started.stdout is not None
    address = started.stdout.readline().decode().strip()
    done: list[int] = []

    def kill(count: int) -> None:
        done.append(count)
        if len(done) == 3:
            started.kill()
            started.wait()

    result = audit_archive([str(log)], SMALL, scheduler=address, progress=kill)
    assert 0 < result.summary.plans < PLANS
    assert any(item.source == address for item in result.rejected)


def test_the_command_says_it_in_one_sentence(log: Path) -> None:
    """Status 2, one line, no traceback, with the patience that users get."""
    with alone(0) as started:
        done = rowreckon("audit", str(log), "--scheduler", started.scheduler_address)
    assert done.returncode == 2
    assert re.fullmatch(r"rowreckon: the Dask cluster has no worker[^\n]*\n", done.stderr), done.stderr


def _signalled(process: subprocess.Popen[bytes], number: signal.Signals, line: str) -> tuple[int, str, str]:
    assert process.stderr is not None
    seen = b""
    while line.encode() not in seen:
        piece = os.read(process.stderr.fileno(), 4096)
        assert piece, seen
        seen += piece
    os.kill(process.pid, number)
    out, errors = process.communicate(timeout=120)
    return process.returncode, out.decode(), (seen + errors).decode()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_following_reports_at_a_signal(log: Path, tmp_path: Path, number: signal.Signals) -> None:
    """A log on standard input that does not end: what was read is reported, and written."""
    report = tmp_path / "r.json"
    process = subprocess.Popen(
        [sys.executable, "-m", "rowreckon", "audit", "-", "--report", str(report)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        preexec_fn=lambda: [signal.signal(n, signal.SIG_DFL) for n in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)],
    )
    assert process.stdin is not None
    process.stdin.write(log.read_bytes()[: 1 << 20])
    process.stdin.flush()
    # communicate() would close the pipe, and the log would end by itself
    writer = process.stdin
    process.stdin = None
    status, out, errors = _signalled(process, number, "q-error")
    writer.close()
    assert status == 128 + number, errors
    assert json.loads(report.read_text())["summary"]["plans"] > 0
    assert "Cautions" in out
    assert "Traceback" not in errors


def _deadly(unit: Unit, options: Options) -> Partial:
    """A unit of the second file kills its worker, as a system that is short of memory does."""
    if unit.path.endswith("second.log"):
        os.kill(os.getpid(), signal.SIGKILL)
    return run_unit(unit, options)


def test_workers_that_are_killed_again_and_again(log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the others brought is reported, and the rest named with what to do about it."""
    second = tmp_path / "second.log"
    second.write_bytes(log.read_bytes())
    monkeypatch.setattr(runner, "run_unit", _deadly)
    result = audit_archive([str(log), str(second)], SMALL, jobs=2)
    assert result.summary.plans > 0
    assert any("fewer --jobs" in item.reason for item in result.rejected)
    assert str(second) in [item.source for item in result.rejected]


@pytest.mark.parametrize("jobs", ["1", "3"])
def test_an_archive_keeps_what_is_done(log: Path, tmp_path: Path, jobs: str) -> None:
    """A signal while files are read: what was read is in the report, and what was not read to its end is named."""
    starter = tmp_path / "start.py"
    # the signal comes when the first bytes are told as done, wherever that is on this machine
    starter.write_text(
        "import os, signal, sys\n"
        "import rowreckon.cli.archives as archives\n"
        "from contextlib import contextmanager\n"
        "from rowreckon.cli import main\n"
        "@contextmanager\n"
        "def progress(paths):\n"
        "    told = []\n"
        "    yield lambda count: told or told.append(os.kill(os.getpid(), signal.SIGTERM))\n"
        "archives._progress = progress\n"
        "if __name__ == '__main__':\n"
        "    main()\n"
    )
    second = tmp_path / "second.log"
    second.write_bytes(log.read_bytes() * 40)
    report = tmp_path / "r.json"
    command = [sys.executable, str(starter), "audit", str(log), str(second), "--jobs", jobs, "--report", str(report)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 143, done.stderr
    document = json.loads(report.read_text())
    assert 0 < document["summary"]["plans"] < PLANS * 41
    assert str(second) in [item["source"] for item in document["rejected"]]
    assert "Traceback" not in done.stderr
