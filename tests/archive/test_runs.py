"""One audit, whatever way it was run: units of any size, one process or several, compressed or not, a pipe."""

from __future__ import annotations

import gzip
import io
import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import psutil
import pytest
import zstandard

from rowreckon.archive.audit import audit_archive
from rowreckon.archive.follow import Following
from rowreckon.archive.outcome import outcome
from rowreckon.archive.units import next_border, units_of
from rowreckon.archive.work import Options
from rowreckon.document.audit import Audit
from rowreckon.reading import RawPlan
from rowreckon.reading.logs import read_log
from tests.archive.logs import entry, sample_log
from tests.benchmarks.archive_log import log_pieces


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Generated entries, the real plans, and a plan that is cut off by the log's end."""
    path = tmp_path_factory.mktemp("logs") / "huts.log"
    pieces = log_pieces(repeat=True, wrong=0.2)
    content = b"".join(next(pieces)[0] for _ in range(160)) + sample_log(2)
    path.write_bytes(content + entry({"Query Text": "select 1", "Plan": {"Node Type": "Result"}})[:-20])
    return path


def _said(result: Audit, path: Path) -> str:
    return result.to_json().replace(str(path), "huts.log")


def test_every_plan_is_counted_once(log: Path) -> None:
    """As many as the reader of logs gives, and the sum of all folds; the cut one is rejected by name and place."""
    found = list(read_log(io.BytesIO(log.read_bytes())))
    plans = [each for each in found if isinstance(each, RawPlan)]
    result = audit_archive([str(log)], most_folds=10_000)

    assert result.summary.plans == len(plans) == sum(fold.times for fold in result.folds)
    assert len(result.rejected) == len(found) - len(plans) == 1
    assert "ends within this plan" in result.rejected[0].reason
    assert result.summary.crossed > 0
    assert all(fold.plan is not None for fold in result.folds[:20])


@pytest.mark.parametrize("unit_bytes", [1, 5_000, 100_000, 10**9])
def test_units_of_any_size_give_the_same(log: Path, unit_bytes: int) -> None:
    """Split at every entry, at some, or nowhere."""
    expected = audit_archive([str(log)], Options(unit_bytes=10**8))
    units = list(units_of([str(log)], unit_bytes=unit_bytes))

    assert units[-1].end is None
    assert sum(unit.bytes for unit in units) == log.stat().st_size
    assert len(units) > 100 or unit_bytes > 10_000
    assert _said(audit_archive([str(log)], Options(unit_bytes=unit_bytes)), log) == _said(expected, log)


def test_processes_give_the_same(log: Path) -> None:
    """--jobs 1 and --jobs 2."""
    options = Options(unit_bytes=50_000)

    assert audit_archive([str(log)], options, jobs=2).to_json() == audit_archive([str(log)], options).to_json()


@pytest.mark.parametrize("pack", [gzip.compress, zstandard.ZstdCompressor().compress], ids=["gzip", "zstd"])
def test_compressed_logs(log: Path, tmp_path: Path, pack: object) -> None:
    """Unpacked while reading; the worst plans are found again in them."""
    packed = tmp_path / "huts.log.packed"
    packed.write_bytes(pack(log.read_bytes()))  # type: ignore[operator]

    assert _said(audit_archive([str(packed)]), packed) == _said(audit_archive([str(log)]), log)


def test_a_pipe_gives_the_same(log: Path) -> None:
    """Read once, with the worst plans put aside."""
    following = Following(Options())
    following.run(io.BytesIO(log.read_bytes()))
    result = outcome(following.store, ["huts.log"], following.fetch, threshold=10.0)
    expected = json.loads(_said(audit_archive([str(log)]), log))
    got = json.loads(result.to_json())
    for audit in (expected, got):
        for plan in audit["plans"]:
            del plan["notes"]

    assert got == expected


def test_no_border_inside_an_entry(log: Path) -> None:
    """From every hundredth byte on, the border is where the reader finds an entry's beginning."""
    from rowreckon.reading.logs.entries import log_entries

    content = log.read_bytes()
    starts = [each.offset for each in log_entries(io.BytesIO(content), max_entry=1 << 26)]
    for target in range(1, len(content), 100 * 97):
        border = next_border(io.BytesIO(content), target)
        assert border == next((start for start in starts if start >= target), None)


def test_a_query_that_quotes_a_log_is_no_border(tmp_path: Path) -> None:
    """A statement whose text holds whole log entries is read as one statement, wherever units end."""
    quoted = entry({"Query Text": "select 0", "Plan": {"Node Type": "Result", "Plan Rows": 1}}).decode()
    document = {"Query Text": f"select '{quoted}'", "Plan": {"Node Type": "Result", "Plan Rows": 1}}
    path = tmp_path / "quoted.log"
    path.write_bytes(entry(document) * 5)
    text_form = (
        "2026-07-01 00:00:00.000 UTC [7] LOG:  duration: 1.000 ms  plan:\n\tQuery Text: select '\n\t"
        + quoted.replace("\n", "\n\t").rstrip("\t")
        + "\t'\n\tResult  (cost=0.00..0.01 rows=1 width=4)\n"
    )
    other = tmp_path / "text.log"
    other.write_bytes(text_form.encode() * 5)
    for log in (path, other):
        whole = audit_archive([str(log)], Options(unit_bytes=10**8))
        split = audit_archive([str(log)], Options(unit_bytes=1))

        assert split.to_json() == whole.to_json()
        assert whole.summary.plans == 5


def test_a_worker_that_dies_costs_nothing(tmp_path: Path) -> None:
    """One of two processes is killed in the middle: the counts are those of an undisturbed run."""
    path = tmp_path / "long.log"
    pieces = log_pieces(repeat=True, wrong=0.0)
    path.write_bytes(b"".join(next(pieces)[0] for _ in range(1200)))
    options = Options(unit_bytes=500_000)
    expected = audit_archive([str(path)], options)
    killed: list[int] = []

    def kill(_count: int) -> None:
        if not killed:
            child = psutil.Process().children()[0]
            killed.append(child.pid)
            os.kill(child.pid, signal.SIGKILL)

    result = audit_archive([str(path)], options, jobs=2, progress=kill)

    assert killed
    assert result.to_json() == expected.to_json()


def test_inputs_that_cannot_be_read_are_named(tmp_path: Path, log: Path) -> None:
    """A missing file, a broken gzip file, a text without plans, beside a log that is audited all the same."""
    broken = tmp_path / "broken.log.gz"
    broken.write_bytes(gzip.compress(log.read_bytes())[:-4000])
    prose = tmp_path / "prose.txt"
    prose.write_text("The huts are open from June.\n")
    result = audit_archive([str(tmp_path / "none.log"), str(broken), str(prose), str(log)])
    reasons = {Path(each.source).name: each.reason for each in result.rejected}

    assert set(reasons) == {"none.log", "broken.log.gz", "prose.txt", "huts.log"}
    assert "cannot be read" in reasons["none.log"]
    assert "holds no EXPLAIN output" in reasons["prose.txt"]
    assert result.summary.plans > 100


def test_the_command_reports_a_pipe_as_it_goes(log: Path) -> None:
    """While the pipe is open, the first misestimated plan is told; at its end comes the report."""
    command = [sys.executable, "-m", "rowreckon", "audit", "-", "--format", "json"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdin.write(log.read_bytes())
        process.stdin.flush()
        timer = threading.Timer(60, process.kill)
        timer.start()
        first = process.stderr.readline().decode()
        assert "q-error" in first
        assert process.poll() is None
        process.stdin.close()
        result = json.loads(process.stdout.read())
        timer.cancel()

    assert result["summary"]["plans"] > 100
    assert result["folds"]


def test_interrupted_it_reports_what_it_has(log: Path) -> None:
    """Ctrl-C on a pipe: what was read is reported."""
    command = [sys.executable, "-m", "rowreckon", "audit", "-", "--format", "json"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdin.write(log.read_bytes())
        process.stdin.flush()
        process.stderr.readline()
        time.sleep(0.5)
        process.send_signal(signal.SIGINT)
        out, errors = process.communicate(timeout=60)

    assert json.loads(out)["summary"]["plans"] > 10
    assert b"interrupted" in errors
    assert b"Traceback" not in errors


def test_exit_status_counts_every_execution(log: Path, tmp_path: Path) -> None:
    """--fail-on crossed fails a log with a crossed join; jobs, keep and before work together."""
    clean = tmp_path / "clean.log"
    clean.write_bytes(sample_log())
    kept = tmp_path / "folds.parquet"
    command = [sys.executable, "-m", "rowreckon", "audit", str(clean), "--jobs", "2", "--keep", str(kept)]
    done = subprocess.run([*command, "--fail-on", "crossed"], capture_output=True, check=False, timeout=120)
    assert done.returncode == 1, done.stderr
    again = [sys.executable, "-m", "rowreckon", "audit", str(clean), "--before", str(kept), "--format", "json"]
    result = json.loads(subprocess.run(again, capture_output=True, check=True, timeout=120).stdout)

    assert all(fold["before"]["times"] == fold["times"] for fold in result["folds"])
