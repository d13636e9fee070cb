"""Values to try for a column: those that a condition names, their neighbours, and what the statistics hold."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence
from typing import Final

from rowreckon.server.stand_in.filling import array_values
from rowreckon.stand_in.figures import Figures

_MOST: Final = 40
_SAMPLED: Final = 12


def to_try(constants: Sequence[str], figures: Figures) -> list[str]:
    """At most forty values, the likeliest to satisfy or to miss a condition with these constants first."""
    found: dict[str, None] = {}
    for constant in constants[:_SAMPLED]:
        found.update(dict.fromkeys(_near(constant)))
    found.update(dict.fromkeys(known_values(figures, _SAMPLED)))
    return list(found)[:_MOST]


def known_values(figures: Figures, most: int) -> list[str]:
    """Common values and bounds of the statistics, evenly chosen from each."""
    found: dict[str, None] = {}
    for text in (figures.common, figures.bounds):
        values = [v for v in array_values(text) if v is not None] if text else []
        step = max(1, -(-len(values) // most))
        found.update(dict.fromkeys([*values[::step], *values[-1:]]))
    return list(found)


def _near(constant: str) -> Iterator[str]:
    """The constant, what is just below and above it, and for a pattern what it matches."""
    yield constant
    try:
        number = int(constant)
        yield from (str(number - 1), str(number + 1), str(number * 2), str(number * 10 + 1), str(-abs(number) * 2 - 1))
        return
    except ValueError:
        pass
    try:
        day = datetime.datetime.fromisoformat(constant)
        for away in (datetime.timedelta(seconds=1), datetime.timedelta(days=1), datetime.timedelta(days=400)):
            yield from ((day - away).isoformat(" "), (day + away).isoformat(" "))
        return
    except (ValueError, OverflowError):
        pass
    if "%" in constant or "_" in constant:
        yield constant.replace("%", "").replace("_", "a")
        yield constant.replace("%", "a").replace("_", "a")
    yield constant + "a"
    yield ""
