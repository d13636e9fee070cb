"""Values for a statement's executions, drawn by their share of the rows: the same ones each time.

The n-th execution takes, for each parameter, the value at the n-th point of a sequence that fills the span from 0 to 1
evenly (J. H. Halton, "On the efficiency of certain quasi-random sequences of points", Numerische Mathematik 2, 1960),
in a base of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from .spread import Spread

EXECUTIONS: Final = 24
"""Executions that are looked ahead to: five custom plans come first, and their average settles soon; no source."""
_BASES: Final = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29)
MOST_PARAMETERS: Final = len(_BASES)


def by_share(spreads: Sequence[Spread], executions: int = EXECUTIONS) -> list[tuple[str | None, ...]]:
    """For each execution a value for each parameter; None, which is null, where a column holds nothing else."""
    return [
        tuple(_at(spread, _point(number, base)) for spread, base in zip(spreads, _BASES, strict=False))
        for number in range(1, executions + 1)
    ]


def _point(number: int, base: int) -> float:
    """The digits of a number in a base, read backwards behind the point."""
    found, digit = 0.0, 1.0
    while number:
        digit /= base
        number, rest = divmod(number, base)
        found += rest * digit
    return found


def _at(spread: Spread, point: float) -> str | None:
    """The value at a point of the rows that have one: common values by their shares, then the rest by its bounds."""
    left = point * (1.0 - spread.nulls)
    for value, share in spread.common:
        if left < share:
            return value.text
        left -= share
    if spread.bounds and spread.rest > 0:
        place = min(len(spread.bounds) - 1, int(left / spread.rest * len(spread.bounds)))
        return spread.bounds[max(0, place)].text
    return spread.common[-1][0].text if spread.common else None
