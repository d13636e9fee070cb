"""The bytes of extended statistics, whose types read no text: how distinct columns are together, which decide others.

Layouts: statext_ndistinct_serialize and statext_dependencies_serialize (src/backend/statistics/mvdistinct.c,
dependencies.c); items of a list of common values as statext_mcv_serialize writes them (mcv.c); the same from 13 to 18.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping, Sequence
from typing import Final

_NDISTINCT_MAGIC: Final = 0xA352BFA4
_DEPENDENCIES_MAGIC: Final = 0xB4549A2C
_BASIC: Final = 1


def ndistinct_bytes(text: str) -> bytes:
    """From what pg_ndistinct prints, `{"1, 2": 40}`. Raises ValueError for any other text."""
    items = [(_numbers(key.split(",")), float(count)) for key, count in _pairs(text)]
    body = b"".join(struct.pack(f"<di{len(a)}h", count, len(a), *a) for a, count in items)
    return struct.pack("<III", _NDISTINCT_MAGIC, _BASIC, len(items)) + body


def dependencies_bytes(text: str) -> bytes:
    """From what pg_dependencies prints, `{"1 => 2": 0.981}`. Raises ValueError for any other text."""
    items = []
    for key, degree in _pairs(text):
        left, arrow, right = key.partition("=>")
        if not arrow:
            raise ValueError("no dependency")
        items.append((_numbers([*left.split(","), right]), float(degree)))
    body = b"".join(struct.pack(f"<dh{len(a)}h", degree, len(a), *a) for a, degree in items)
    return struct.pack("<III", _DEPENDENCIES_MAGIC, _BASIC, len(items)) + body


def _pairs(text: str) -> list[tuple[str, float]]:
    try:
        found = json.loads(text)
    except RecursionError:
        raise ValueError("nested too deep") from None
    if not isinstance(found, dict) or not all(isinstance(value, int | float) for value in found.values()):
        raise ValueError("no statistics of columns together")
    return list(found.items())


def _numbers(parts: Sequence[str]) -> list[int]:
    numbers = [int(part) for part in parts]
    if not 2 <= len(numbers) <= 8 or any(abs(number) > 2_000 for number in numbers):
        raise ValueError("no numbers of columns")
    return numbers


Values = tuple[str | None, ...]


def with_frequencies(
    serialized: bytes, items: Sequence[Values], wanted: Mapping[Values, tuple[float, float]], dimensions: int
) -> bytes:
    """A list of common values with other frequencies: of each item its own and that of independent columns.

    `items` are the values in the order of the list, which ends with them. Raises ValueError where one is not wanted.
    """
    size = 3 * dimensions + 16
    start = len(serialized) - size * len(items)
    if start < 0:
        raise ValueError("no list of common values")
    fresh = bytearray(serialized)
    for number, values in enumerate(items):
        if values not in wanted:
            raise ValueError("another list of common values")
        struct.pack_into("<dd", fresh, start + number * size + dimensions, *wanted[values])
    return bytes(fresh)
