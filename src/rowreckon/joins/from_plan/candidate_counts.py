"""Whole numbers to try where a plan bounds a row count without telling it."""

from __future__ import annotations

from math import ceil, floor

_MOST_CANDIDATES = 16


def widening(most: float) -> list[float]:
    """Whole numbers up to `most`, further apart the larger they are."""
    found, step = [1.0], 1.0
    while found[-1] + step <= most and len(found) < _MOST_CANDIDATES:
        found.append(found[-1] + step)
        step = max(float(floor(found[-1] / 4.0)), 1.0)
    return found


def evenly_between(least: float, most: float) -> list[float]:
    """Whole numbers from one to the other, equally far apart."""
    step = max(ceil((most - least) / _MOST_CANDIDATES), 1)
    return [float(n) for n in range(ceil(least), floor(most) + 1, step)]
