"""A careful JSON reader: slower than `json.loads`, it says where and why a text fails, and mends what can be.

`json.loads` comes first everywhere; this reader is asked when that fails. It keeps no Python call stack, so depth costs
nothing; it names the place of a fault by line, column and path ("Plan > Plans[1] > Actual Rows"), and it mends:

- counts inside an array, which EXPLAIN ANALYZE of MERGE into a partitioned table prints on 15 to 18 between
  the entries of `Target Tables`: they are moved to the node that they belong to;
- `Workers` given twice in one node (releases before 13): the entries are joined by worker number;
- a comma before a closing bracket, left by a hand that took the last entry out;
- line breaks inside strings, left by a mail or a terminal that wrapped long lines.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import Any, NoReturn

from rowreckon.errors import InputTooLarge
from rowreckon.reading.limits import Limits
from rowreckon.reading.mends import TARGETS_NOTE, WORKERS_NOTE, can_be_joined, joined_workers

# Not strict: a raw line break inside a string is what wrapping leaves.
_STRINGS = json.JSONDecoder(strict=False)
_BLANK = re.compile(r"[ \t\r\n]*")
_NUMBER = re.compile(r"-?(?:0|[1-9][0-9]*)(\.[0-9]+)?([eE][-+]?[0-9]+)?")
_WORD = re.compile(r"-?[A-Za-z_][A-Za-z_0-9]*")
_BREAK = re.compile(r"[ \t]*[\r\n]+[ \t]*")
# A string that was only wrapped has no empty line in it and no line where a document could begin.
_NEXT_TEXT = re.compile(r"\n[ \t\r]*[\n{\[]")
_WORDS: dict[str, Any] = {"true": True, "false": False, "null": None}
_NOT_FINITE = {"NaN", "Infinity", "-Infinity", "nan", "inf", "-inf"}
_SHOWN_KEYS = 6


def _no_key_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    fields = dict(pairs)
    if len(fields) != len(pairs):
        raise ValueError("a key stands twice")
    return fields


def refuse(word: str) -> NoReturn:
    """Refuse NaN and Infinity, which Python's reader would take for numbers."""
    raise ValueError(word)


# The standard library's decoder, made to refuse what the careful reader mends or explains.
STRICT = json.JSONDecoder(object_pairs_hook=_no_key_twice, parse_constant=refuse)


class JsonFault(Exception):
    """The text is no JSON from `start` on: `reason` says why, `position` is the offset, `path` the keys above."""

    def __init__(self, reason: str, position: int, path: str) -> None:
        self.reason = reason
        self.position = position
        self.path = path
        super().__init__(reason)


@dataclass(slots=True)
class _Open:
    """A container that is being filled; `key` is the key or index under which its parent holds it."""

    value: dict[str, Any] | list[Any]
    key: str | int
    pending: str | None = None


def read_value(text: str, start: int, limits: Limits) -> tuple[Any, int, tuple[str, ...]]:
    """The JSON value that begins at `start`, the offset behind it, and notes on what was mended.

    Raises JsonFault with the place, InputTooLarge where containers nest deeper than a plan may.
    """
    return _Reader(text, limits).read(start)


class _Reader:
    def __init__(self, text: str, limits: Limits) -> None:
        self.text = text
        self.limits = limits
        self.stack: list[_Open] = []
        self.notes: dict[str, None] = {}

    def read(self, start: int) -> tuple[Any, int, tuple[str, ...]]:
        position = self.skip(start)
        while True:
            # A value is due at `position`.
            char = self.text[position : position + 1]
            if char in ("{", "["):
                self.open({} if char == "{" else [], position)
                position, closed = self.first_in_container(position + 1)
                if not closed:
                    continue
                done, position = self.close_up(self.stack.pop().value, position)
            else:
                scalar, position = self.scalar(position)
                done, position = self.close_up(scalar, position)
            if done is not None:
                return done[0], position, tuple(self.notes)

    def open(self, value: dict[str, Any] | list[Any], position: int) -> None:
        if len(self.stack) >= self.limits.max_nesting:
            raise InputTooLarge(
                f"the plan is nested more than {self.limits.max_depth} levels deep",
                where=f"line {self.text.count(chr(10), 0, position) + 1}",
                hint="raise the limit on plan levels if this is a real plan",
            )
        self.stack.append(_Open(value, self.own_key()))

    def own_key(self) -> str | int:
        if not self.stack:
            return ""
        parent = self.stack[-1]
        return len(parent.value) if isinstance(parent.value, list) else (parent.pending or "")

    def first_in_container(self, position: int) -> tuple[int, bool]:
        position = self.skip(position)
        closer = "}" if isinstance(self.stack[-1].value, dict) else "]"
        if self.text[position : position + 1] == closer:
            return position + 1, True
        if closer == "}":
            return self.key(position), False
        return self.stray_key(position), False

    def key(self, position: int) -> int:
        """Read `"key":` at `position` and note the key; returns the offset of the value."""
        if self.text[position : position + 1] != '"':
            self.fail("a key in double quotes is expected", position)
        name, position = self.string(position)
        position = self.skip(position)
        if self.text[position : position + 1] != ":":
            self.fail(f"a colon is expected after the key {name[:60]!r}", position)
        self.stack[-1].pending = name
        return self.skip(position + 1)

    def close_up(self, value: Any, position: int) -> tuple[tuple[Any] | None, int]:
        """Put `value` into its parent and go on to the next value that is due, closing what ends here."""
        while self.stack:
            parent = self.stack[-1]
            position = self.skip(position)
            if isinstance(parent.value, dict):
                self.put(parent, value, position)
                closer, what = "}", "a comma or '}'"
            else:
                if parent.pending is not None:
                    self.lift(parent, value, position)
                else:
                    parent.value.append(value)
                closer, what = "]", "a comma or ']'"
            char = self.text[position : position + 1]
            if char == ",":
                position = self.skip(position + 1)
                if self.text[position : position + 1] != closer:
                    return None, self.key(position) if closer == "}" else self.stray_key(position)
                self.notes["a comma before a closing bracket was left out"] = None
                char = closer
            if char != closer:
                self.fail(f"{what} is expected", position)
            self.stack.pop()
            value, position = parent.value, position + 1
        return (value,), position

    def put(self, parent: _Open, value: Any, position: int) -> None:
        assert isinstance(parent.value, dict)
        assert parent.pending is not None
        name, fields = parent.pending, parent.value
        if name not in fields:
            fields[name] = value
        elif can_be_joined(name, fields[name], value):
            fields[name] = joined_workers(fields[name], value)
            self.notes[WORKERS_NOTE] = None
        elif fields[name] == value:
            self.notes[f"the key {name!r} stood twice with the same value"] = None
        else:
            self.fail(f"the key {name!r} stands twice with different values", position)
        parent.pending = None

    def stray_key(self, position: int) -> int:
        """Where an array goes on with `"key": value`, note the key, so that the value is lifted out."""
        parent = self.stack[-1]
        if self.text[position : position + 1] != '"':
            return position
        name, after = self.string(position)
        after = self.skip(after)
        if self.text[after : after + 1] != ":":
            return position
        parent.pending = name
        return self.skip(after + 1)

    def lift(self, parent: _Open, value: Any, position: int) -> None:
        above = self.stack[-2].value if len(self.stack) > 1 else None
        name = parent.pending
        parent.pending = None
        if not isinstance(above, dict) or name is None or name in above or isinstance(value, (dict, list)):
            self.fail(f"the key {str(name)[:60]!r} stands inside an array", position)
        above[name] = value
        self.notes[TARGETS_NOTE] = None

    def scalar(self, position: int) -> tuple[Any, int]:
        char = self.text[position : position + 1]
        if char == '"':
            return self.string(position)
        number = _NUMBER.match(self.text, position)
        if number is not None:
            return self.number(number)
        word = _WORD.match(self.text, position)
        if word is not None and word.group() in _WORDS:
            return _WORDS[word.group()], word.end()
        if word is not None and word.group() in _NOT_FINITE:
            self.fail(f"the number {word.group()} is not finite", position)
        return self.fail("a value is expected", position)

    def number(self, match: re.Match[str]) -> tuple[int | float, int]:
        digits = match.group()
        value = float(digits)
        if value in (float("inf"), float("-inf")):
            self.fail("the number is too big", match.start())
        return (int(digits) if match.lastindex is None else value), match.end()

    def string(self, position: int) -> tuple[str, int]:
        try:
            value, end = _STRINGS.raw_decode(self.text, position)
        except ValueError as fault:
            if "Unterminated" in str(fault):
                self.fail("the text ends inside a string", position, at_end=True)
            return self.fail("a string holds an escape that JSON does not know", position)
        if "\n" in value and "\n" in self.text[position:end]:
            if _NEXT_TEXT.search(self.text, position, end):
                self.fail("the text breaks off inside a string", position)
            value = _BREAK.sub(" ", value)
            self.notes["line breaks inside strings were read as blanks: the text had been wrapped"] = None
        return value, end

    def skip(self, position: int) -> int:
        match = _BLANK.match(self.text, position)
        return match.end() if match is not None else position

    def path(self) -> str:
        parts: list[str] = []
        for level in self.stack:
            if isinstance(level.key, int):
                parts.append(f"{parts.pop() if parts else ''}[{level.key}]")
            elif level.key:
                parts.append(level.key)
        if self.stack:
            last = self.stack[-1]
            if isinstance(last.value, list):
                parts.append(f"{parts.pop() if parts else ''}[{len(last.value)}]")
            elif last.pending is not None:
                parts.append(last.pending)
        if len(parts) > _SHOWN_KEYS:
            parts = [*parts[:2], "…", *parts[-3:]]
        return " > ".join(part[:80] for part in parts)

    def fail(self, reason: str, position: int, *, at_end: bool = False) -> NoReturn:
        if at_end or self.skip(position) >= len(self.text):
            closers = "".join("}" if isinstance(each.value, dict) else "]" for each in reversed(self.stack))
            shown = closers if len(closers) <= 24 else f"{closers[:24]}… ({len(closers)} closing brackets)"
            missing = f", {shown} is missing" if closers else ""
            reason = f"the text is cut off here{missing}"
        raise JsonFault(reason, position, self.path())
