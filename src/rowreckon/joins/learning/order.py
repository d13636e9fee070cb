"""The order of plans that tell of each other: by name, so that it does not hang on the order in which they came."""

from __future__ import annotations

import re

_NUMBER = re.compile(r"(\d{1,18})")
"""A longer number is taken in pieces: a name from a file may be nothing but digits, of which Python reads 4,300."""


def in_order(name: str) -> tuple[tuple[int, int, str], ...]:
    """What names of plans are ordered by: plan#2 comes before plan#10."""
    parts = enumerate(_NUMBER.split(name))
    return tuple((1, int(part), "") if at % 2 else (0, 0, part) for at, part in parts)
