"""The second series at 4 and 8 MB, and its heaviest at 16 to 128 MB: time grows as the input does."""

from __future__ import annotations

from itertools import pairwise

import pytest

from tests.reading.second_series import INPUTS, Measurer, Took

pytestmark = pytest.mark.full

_MB = 1024 * 1024
_MOST_BYTES = 512 * _MB
_START = 0.3
"""Seconds that every reading takes, however small it is."""
_MOST_GROWTH = 2.8
"""Twice the input may take so many times as long: sorting and larger tables are a little over twice."""
_HEAVIEST = 6


def _grows_too_fast(smaller: Took, larger: Took) -> bool:
    return larger.seconds > _START + _MOST_GROWTH * max(smaller.seconds, _START)


def test_time_grows_with_the_input() -> None:
    """Processor seconds of the reading alone; what is over a limit is refused, which is quick."""
    measurer = Measurer()
    found: dict[str, list[Took]] = {}
    for name in INPUTS:
        found[name] = [measurer.measure(name, size * _MB) for size in (4, 8)]
    heaviest = sorted(found, key=lambda name: -found[name][-1].seconds)[:_HEAVIEST]
    for name in heaviest:
        found[name] += [measurer.measure(name, size * _MB) for size in (16, 32, 64, 128)]
    measurer.end()
    for name, taken in found.items():
        print(f"{name:32}", *(f"{took.seconds:6.2f} s {took.bytes // _MB:4} MB" for took in taken))
    assert {name: taken for name, taken in found.items() if any(took.status not in (0, 2) for took in taken)} == {}
    assert {name: taken for name, taken in found.items() if any(took.bytes > _MOST_BYTES for took in taken)} == {}
    pairs = {name: list(pairwise(taken)) for name, taken in found.items()}
    assert [name for name, steps in pairs.items() if any(_grows_too_fast(*step) for step in steps)] == []
