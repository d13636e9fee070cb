"""Changes documents by their structure: values swapped for ones that are hard to bear, and texts that no writer makes.

It knows nothing of what a field means. A document is a tree of plain values in which an object is a list of pairs, so
that keys may stand twice; `text_of` writes it as JSON.
"""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from typing import Any, Final

Pairs = list[tuple[str, Any]]


class Raw(str):
    """Text that is written as it stands, whether JSON has it or not."""

    __slots__ = ()


_NUMBERS: Final = (
    "1e308", "-1e308", "1e999", "5e-324", "-0", "-0.0", "-1", "0.1", "NaN", "Infinity", "-Infinity", "00", "1.", "+1",
    "0x1F",
    str(2**31), str(2**53 + 1), str(2**63), str(-(2**63) - 1), "9" * 400, "1" + "0" * 5000, "1e-400", "true", "null",
)  # fmt: skip
_TEXTS: Final = (
    "", " ", "NaN", "nan", "Infinity", "1e308", "-0", "null", "\0", "a\0b", "\ud800", "\udfff\ud800", "\U0010ffff",
    "\u202e\u2066",
    "\x1b[2J\x9b31m", "a\nb\r\n\t", "'", '"', "\\", "$$", "--", "/*", "*/", "%s%n", "{}", "{0.__class__}",
    "<b>&amp;", "x" * 70_000,
    "((((" * 5_000, "pg_catalog.", "SubPlan 1", "(SubPlan 1)", "1'; select 1; --", "é" * 300, "2026-02-30",
    "0001-01-01 BC", "[]",
)  # fmt: skip


def pairs_of(value: Any) -> Any:
    """A parsed document with its objects as lists of pairs."""
    if isinstance(value, dict):
        return Object((key, pairs_of(item)) for key, item in value.items())
    if isinstance(value, list):
        return [pairs_of(item) for item in value]
    return value


class Object(list[Any]):
    """An object as its pairs."""

    __slots__ = ()


def text_of(value: Any) -> str:
    """The document as JSON; deep ones too."""
    pieces: list[str] = []
    waiting: list[Any] = [value]
    while waiting:
        item = waiting.pop()
        if isinstance(item, Raw):
            pieces.append(str(item))
        elif isinstance(item, Object):
            waiting.append(Raw("}"))
            for number, (key, held) in enumerate(reversed(item)):
                waiting += [Raw("," if number else ""), held, Raw(f"{json.dumps(key)}:")]
            waiting.append(Raw("{"))
        elif isinstance(item, list):
            waiting.append(Raw("]"))
            for number, held in enumerate(reversed(item)):
                waiting += [Raw("," if number else ""), held]
            waiting.append(Raw("["))
        else:
            pieces.append(json.dumps(item))
    return "".join(pieces)


def mutated(document: Any, draw: random.Random) -> Any:
    """The document with one to four changes."""
    found = pairs_of(document)
    for _ in range(draw.choice((1, 1, 2, 4))):
        places = _places(found)
        if not places:
            return found
        holder, at = draw.choice(places)
        draw.choice(_CHANGES)(holder, at, draw, places)
    return found


def _places(value: Any) -> list[tuple[list[Any], int]]:
    found: list[tuple[list[Any], int]] = []
    waiting = [value]
    while waiting:
        item = waiting.pop()
        if isinstance(item, list):
            for at, held in enumerate(item):
                found.append((item, at))
                waiting.append(held[1] if isinstance(item, Object) else held)
    return found


def _held(holder: list[Any], at: int) -> Any:
    return holder[at][1] if isinstance(holder, Object) else holder[at]


def _put(holder: list[Any], at: int, value: Any) -> None:
    holder[at] = (holder[at][0], value) if isinstance(holder, Object) else value


def _hard_value(draw: random.Random) -> Any:
    kind = draw.randrange(8)
    if kind < 3:
        return Raw(draw.choice(_NUMBERS))
    if kind < 6:
        return draw.choice(_TEXTS)
    if kind == 6:
        return draw.choice(([], Object(), [[]], Object([("", None)]), [None] * 50, Object([("a", 1), ("a", 2)])))
    deep = draw.choice((60, 1500, 20_000))
    left, right = draw.choice((("[", "]"), ('{"Plans":[', "]}"), ('{"a":', "}")))
    return Raw(left * deep + ("1" if left == '{"a":' else "") + right * deep)


def _replace(holder: list[Any], at: int, draw: random.Random, _: Any) -> None:
    _put(holder, at, _hard_value(draw))


def _other_type(holder: list[Any], at: int, draw: random.Random, _: Any) -> None:
    value = _held(holder, at)
    turned: list[Any] = [[value], Object([("a", value)]), str(value)[:1000], value is None, 1]
    _put(holder, at, draw.choice(turned))


def _remove(holder: list[Any], at: int, draw: random.Random, _: Any) -> None:
    del holder[at]


def _repeat(holder: list[Any], at: int, draw: random.Random, _: Any) -> None:
    times = draw.choice((1, 2, 300))
    if len(text_of(holder[at] if not isinstance(holder, Object) else holder[at][1])) * times < 500_000:
        holder[at:at] = [holder[at]] * times


def _rename(holder: list[Any], at: int, draw: random.Random, places: Any) -> None:
    if isinstance(holder, Object):
        other, place = draw.choice(places)
        names = (*_TEXTS, other[place][0] if isinstance(other, Object) else "Plan")
        holder[at] = (draw.choice(names), holder[at][1])


def _swap(holder: list[Any], at: int, draw: random.Random, places: Any) -> None:
    other, place = draw.choice(places)
    here, there = _held(holder, at), _held(other, place)
    if len(text_of(here)) + len(text_of(there)) < 300_000 and not _within(here, other) and not _within(there, holder):
        _put(holder, at, there)
        _put(other, place, here)


def _within(value: Any, holder: Any) -> bool:
    """Whether a value holds what it would be put into."""
    waiting = [value]
    while waiting:
        item = waiting.pop()
        if item is holder:
            return True
        if isinstance(item, list):
            waiting.extend(held[1] if isinstance(item, Object) else held for held in item)
    return False


_CHANGES: Final[tuple[Callable[[list[Any], int, random.Random, Any], None], ...]] = (
    _replace, _replace, _replace, _other_type, _remove, _repeat, _rename, _swap,
)  # fmt: skip


def damaged(data: bytes, draw: random.Random) -> bytes:
    """Bytes cut short, changed, doubled or with others put in: for what is no text."""
    if not data:
        return b"\0"
    kind = draw.randrange(4)
    at = draw.randrange(len(data))
    if kind == 0:
        return data[:at]
    if kind == 1:
        return data[:at] + bytes([data[at] ^ (1 << draw.randrange(8))]) + data[at + 1 :]
    if kind == 2:
        return data[:at] + draw.randbytes(draw.choice((1, 8, 4000))) + data[at:]
    return data[:at] + data[draw.randrange(len(data)) :]
