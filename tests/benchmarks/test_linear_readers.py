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
# What each further megabyte takes may grow by half from one doubling to the next, for memory that is fetched from
# further away; in quadratic time it doubles. Below this many seconds a difference is noise. (Both our own, no source.)
FACTOR, NOISE = 1.5, 0.5

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
        if not _growing({mb: took for mb, (took, _) in costs.items()}):
            break
        assert attempt == 0, (way, name, costs)
    # The input itself, which the test makes and keeps, comes on top.
    assert max(top - mb for mb, (_, top) in costs.items()) < MOST_MB, (way, name, costs)


def _growing(seconds: dict[int, float]) -> bool:
    """Whether each further megabyte takes longer than those before it, from one doubling to the next.

    Differences are compared, not the times themselves: a reader may go another way above a limit, from where on the
    time is in proportion to what lies above it.
    """
    each = [((b - a), (seconds[b] - seconds[a])) for a, b in pairwise(sorted(seconds))]
    return any(
        later > NOISE and later / further > FACTOR * max(earlier, NOISE) / more
        for (more, earlier), (further, later) in pairwise(each)
    )


def test_growth_is_seen() -> None:
    """Quadratic time is found, time in proportion is not, with or without a limit that the first size is below."""
    sizes = (16, 32, 64, 128)

    assert _growing({mb: mb * mb / 100 for mb in sizes})
    assert not _growing({mb: mb / 4 for mb in sizes})
    assert not _growing({mb: max(mb - 16, 0) + 3.0 for mb in sizes})
    assert not _growing(dict(zip(sizes, (9.0, 18.0, 36.0, 0.1), strict=True)))


@pytest.mark.parametrize(("way", "name"), [(way, name) for way, (_, inputs) in WAYS.items() for name in inputs])
def test_every_input(way: str, name: str) -> None:
    """All of them at a few megabytes."""
    _measure(way, name, SMALL)


@pytest.mark.parametrize(("way", "name"), [(way, name) for way, names in HEAVY.items() for name in names])
def test_the_largest_inputs(way: str, name: str) -> None:
    """Those that take the most time or memory of their kind, or once did, up to 128 MB."""
    _measure(way, name, LARGE)
