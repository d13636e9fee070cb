"""Twice the input takes about twice the time, up to 128 MB, and no input more than 512 MB of memory.

Each input is read in a process of its own (`tests/reading/read_worst.py`), the smallest size first, with the limits
as they are by default: what is over them costs no more than finding that out. Ratios of processor time, so that other
work on the machine matters little; it takes two readings in a row that are too slow to fail.
"""

from __future__ import annotations

import json
import subprocess
import sys
from itertools import pairwise

import pytest

from tests.reading.read_worst import MB, WAYS

pytestmark = pytest.mark.full

SMALL = (1, 2, 4)
LARGE = (16, 32, 64, 128)
MOST_MB = 512
# Twice the input, and as much again for memory that is fetched from further away; below this many seconds it is noise.
FACTOR, NOISE = 3.0, 0.5

HEAVY = {
    "text": (
        "spaces and a letter",
        "one word",
        "a long literal",
        "parentheses in a filter",
        "a name and a long line",
        "quotations",
        "ellipses",
        "text plans",
        "queries before a plan",
        "open quotes",
        "unknown lines",
        "settings",
        "outputs in brackets",
    ),
    "log": (
        "spaces",
        "one entry of spaces",
        "one entry on one line",
        "one loose entry",
        "csv log open",
        "log of words",
    ),
    "packed": ("spaces", "one entry of spaces", "newlines", "one word"),
    "answer": ("an answer of lines", "a wrapped answer below a wide rule"),
}


def _costs(way: str, name: str, sizes: tuple[int, ...]) -> dict[int, tuple[float, float]]:
    """By size in MB: seconds and the most memory so far; a small reading before them loads what they need."""
    asked = ",".join(str(size) for size in (1_000, *(mb * MB for mb in sizes)))
    done = subprocess.run(
        [sys.executable, "-m", "tests.reading.read_worst", way, asked, name],
        capture_output=True,
        text=True,
        check=True,
    )
    said = [json.loads(line) for line in done.stdout.splitlines()[2:]]
    return {each["size"] // MB: (each["seconds"], each["mb"]) for each in said}


def _measure(way: str, name: str, sizes: tuple[int, ...]) -> None:
    for attempt in range(2):
        costs = _costs(way, name, sizes)
        print(
            f"{way:8}{name:36}" + "".join(f"  {mb} MB {took:.2f} s {top:.0f} MB" for mb, (took, top) in costs.items())
        )
        seconds = [took for took, _ in costs.values()]
        slow = [b / max(a, NOISE) for a, b in pairwise(seconds) if b > max(a, NOISE) * FACTOR]
        if not slow:
            break
        assert attempt == 0, (way, name, costs)
    # The input itself, which the test makes and keeps, comes on top.
    assert max(top - mb for mb, (_, top) in costs.items()) < MOST_MB, (way, name, costs)


@pytest.mark.parametrize(("way", "name"), [(way, name) for way, (_, inputs) in WAYS.items() for name in inputs])
def test_every_input(way: str, name: str) -> None:
    """All of them at a few megabytes."""
    _measure(way, name, SMALL)


@pytest.mark.parametrize(("way", "name"), [(way, name) for way, names in HEAVY.items() for name in names])
def test_the_largest_inputs(way: str, name: str) -> None:
    """Those that take the most time or memory of their kind, or once did, up to 128 MB."""
    _measure(way, name, LARGE)
