"""JSON documents changed for the worse: in their structure, value by value, and in their bytes."""

from __future__ import annotations

import json
import random
from typing import Any

from .corpus import tokens

VALUES: tuple[Any, ...] = (
    None,
    True,
    False,
    0,
    -1,
    1,
    2**31,
    2**60,
    2**63,
    -(2**63) - 1,
    10**400,
    5e-324,
    1e-300,
    1e-7,
    0.5,
    1e15,
    1e99,
    1e100,
    1e308,
    -1e308,
    float("inf"),
    float("nan"),
    "",
    "x",
    "\0",
    "\ud800",
    "\u202e",
    "'; drop table huts; --",
    "x" * 5_000,
    [],
    {},
    [[]],
    [{}],
    {"": None},
    "2026-01-01T00:00:00+00:00",
    "99999-99-99",
)


def spoiled(document: Any, draw: random.Random) -> Any:
    """A copy after one to six changes of its structure or values."""
    changed = _copied(document)
    for _ in range(draw.choice((1, 1, 1, 2, 3, 6))):
        places = list(_places(changed))
        if not places:
            return draw.choice(VALUES)
        holder, key = draw.choice(places)
        _change(holder, key, places, draw)
    return changed


def _copied(document: Any) -> Any:
    """By way of its text, many times as fast as copying value by value; nothing stands in two places any more."""
    return json.loads(as_text(document))


def _change(holder: Any, key: Any, places: list[tuple[Any, Any]], draw: random.Random) -> None:
    kind = draw.randrange(10)
    if kind < 5:
        holder[key] = draw.choice(VALUES)
    elif kind == 5:
        del holder[key]
    elif kind == 6:
        other, at = draw.choice(places)
        if _has(other, at):
            holder[key] = _copied(other[at])
    elif kind == 7 and isinstance(holder[key], list):
        holder[key] = holder[key] * draw.choice((2, 3, 50))
    elif kind == 8 and isinstance(holder, dict):
        holder[str(key) + draw.choice((" ", "x", "\0"))] = holder.pop(key)
    elif isinstance(holder[key], int | float) and not isinstance(holder[key], bool):
        holder[key] = draw.choice((-holder[key], holder[key] * 1e9, holder[key] / 1e9, holder[key] + 0.5))
    else:
        holder[key] = [holder[key]]


def _has(holder: Any, key: Any) -> bool:
    return key in holder if isinstance(holder, dict) else isinstance(key, int) and key < len(holder)


def _places(document: Any) -> list[tuple[Any, Any]]:
    """Every key of every object and every position of every list, each with what holds it."""
    found: list[tuple[Any, Any]] = []
    waiting = [document]
    while waiting:
        value = waiting.pop()
        if isinstance(value, dict):
            keys: Any = list(value)
        elif isinstance(value, list):
            keys = range(len(value))
        else:
            continue
        for key in keys:
            found.append((value, key))
            waiting.append(value[key])
    return found


def as_text(document: Any) -> str:
    """The document as JSON, NaN and Infinity as the words that Python writes for them."""
    return json.dumps(document, ensure_ascii=True)


def spoiled_bytes(data: bytes, draw: random.Random) -> bytes:
    """The bytes after one to four changes."""
    changed = bytearray(data)
    for _ in range(draw.choice((1, 1, 2, 4))):
        at = draw.randrange(len(changed) + 1)
        kind = draw.randrange(6)
        if kind == 0:
            del changed[at:]
        elif kind == 1:
            del changed[at : at + draw.choice((1, 2, 30))]
        elif kind == 2 and at < len(changed):
            changed[at] = draw.randrange(256)
        elif kind == 3:
            changed[at:at] = draw.choice(tokens()) * draw.choice((1, 1, 3, 200))
        elif kind == 4:
            changed[at:at] = changed[at : at + draw.choice((3, 40, 400))] * draw.choice((1, 2))
        else:
            changed[at:at] = draw.choice((b"9" * 400, b"e999", b"5e-324", b"[" * 6_000, b"{'a':" * 3_000))
    return bytes(changed)
