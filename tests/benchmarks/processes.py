"""Whole processes, measured by the operating system's own account of the finished child.

`json.loads` of the same bytes is measured inside a process of its own, without that one's start-up: what any reader of
the file has to spend at least. Processor time throughout: a busy machine makes a run longer on the clock, not dearer.
"""

from __future__ import annotations

import compileall
import os
import statistics
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import rowreckon

_LOADS = """
import json, sys, time
content = open(sys.argv[1], "rb").read()
start = time.process_time()
json.loads(content)
print(time.process_time() - start)
"""


@dataclass(frozen=True)
class Spent:
    """What one process took: processor seconds, user and system, start-up included, and its peak memory in MiB."""

    seconds: float
    peak: float
    status: int


@cache
def environment() -> dict[str, str]:
    """The environment for a child that runs this package as an installed one runs: from compiled modules."""
    # A checkout may not be compiled, and the first run would pay for it.
    compileall.compile_dir(str(Path(rowreckon.__file__).parent), quiet=1)
    return {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}


def spent(command: Sequence[str]) -> Spent:
    """Run a command to its end, its output thrown away."""
    child = subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment()
    )
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    return Spent(used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, child.returncode)


def audit_command(*arguments: str) -> list[str]:
    """`rowreckon audit` as this interpreter runs it."""
    return [sys.executable, "-m", "rowreckon", "audit", *arguments]


def loads_seconds(path: Path) -> float:
    """Processor seconds of one json.loads of a file's bytes, in a process of its own."""
    command = [sys.executable, "-c", _LOADS, str(path)]
    return float(subprocess.run(command, check=True, capture_output=True, text=True, env=environment()).stdout)


def times_loads(command: Sequence[str], path: Path, *, runs: int = 5) -> tuple[float, float]:
    """A command's processor time over that of json.loads, both in turn; the median of the pairs, and the peak in MiB.

    The command has to end with exit status 0.
    """
    ratios: list[float] = []
    peaks: list[float] = []
    for _ in range(runs):
        whole = spent(command)
        assert whole.status == 0
        ratios.append(whole.seconds / loads_seconds(path))
        peaks.append(whole.peak)
    return statistics.median(ratios), max(peaks)
