"""The second series of worst inputs ends, in a sentence or a report, and stays small."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from .second_series import INPUTS, Measurer

_SIZE = 250_000
_MOST_BYTES = 512 * 1024 * 1024


@pytest.fixture(scope="module")
def measurer() -> Iterator[Measurer]:
    """One process for all."""
    made = Measurer()
    yield made
    made.end()


@pytest.mark.parametrize("name", INPUTS)
def test_it_ends(measurer: Measurer, name: str) -> None:
    """A reading whose time grows with the square would take minutes here; the system ends it after one."""
    took = measurer.measure(name, _SIZE)
    assert took.status in (0, 2), took
    assert took.bytes < _MOST_BYTES, took
    assert "Traceback" not in took.said
