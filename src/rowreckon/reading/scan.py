"""Go through a text that is more than one JSON value, and read each plan where it begins."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

from rowreckon.reading.json_documents import Found, documents_in
from rowreckon.reading.json_reader import STRICT, JsonFault, read_value
from rowreckon.reading.limits import Limits
from rowreckon.reading.lines import Lines
from rowreckon.reading.query_echo import query_before
from rowreckon.reading.raw import RawPlan, Rejected
from rowreckon.reading.wrappings import unwrap

ReadText = Callable[[str, str], list[Found]]

# An object of EXPLAIN begins with a key; brackets are taken along only right before one, so that
# no run of brackets is gone through more than once for each of its ends.
_START = re.compile(
    r"""(?P<json>(?:\[\s{0,99}){0,4}\{\s{0,99}"(?P<key>[^"\\\n]{1,80})"\s{0,9}:)
    |(?P<string>"(?:\\[nrt]|[ \t]){0,99}(?:\[(?:\\[nrt]|[ \t]){0,99}){0,4}\{(?:\\[nrt]|[ \t]){0,99}\\")""",
    re.VERBOSE,
)
_STRINGS = json.JSONDecoder(strict=False)
_SIGNS = ('"Plan"', '"Node Type"')


def scan(text: str, limits: Limits, read_text: ReadText) -> list[Found]:
    """The plans in `text`, in order, with places that looked like one; `read_text` reads a text within it."""
    return list(_Scan(unwrap(text), limits, read_text).run())


class _Scan:
    def __init__(self, lines: Lines, limits: Limits, read_text: ReadText) -> None:
        self.lines = lines
        self.text = lines.text
        self.limits = limits
        self.read_text = read_text
        self.in_broken = False
        self.echo_from = 0

    def run(self) -> Iterator[Found]:
        position = 0
        while (start := _START.search(self.text, position)) is not None:
            found, position = self.one(start)
            if found:
                query = self.query_before(start.start())
                self.echo_from = self.lines.index_at(position)
            for each in found:
                if isinstance(each, RawPlan) and each.query is None and query:
                    each = replace(each, query=query)
                yield each

    def one(self, start: re.Match[str]) -> tuple[list[Found], int]:
        """What begins at `start`, and the offset from which to go on."""
        if start.lastgroup == "string":
            return self.in_string(start.start())
        return self.in_json(start)

    def in_json(self, start: re.Match[str]) -> tuple[list[Found], int]:
        begin = start.start()
        # Behind a broken document its own inner nodes come next: they are no plans of their own.
        if self.in_broken and start["key"] == "Node Type":
            return [], start.end()
        where = self.lines.place(begin)
        try:
            value, end, notes = self.value(begin)
        except JsonFault as fault:
            after = max(fault.position, begin + 1)
            if not any(sign in self.text[begin : after + 1] for sign in _SIGNS):
                return [], after
            self.in_broken = True
            place = self.lines.place(fault.position, column=True)
            reason = f"not valid JSON: {fault.reason}"
            if fault.path:
                reason += f", in {fault.path}"
            return [Rejected(reason, place)], after
        found = list(documents_in(value, where, self.read_text))
        self.in_broken = self.in_broken and not found
        if notes:
            found = [replace(each, notes=each.notes + notes) if isinstance(each, RawPlan) else each for each in found]
        return found, end

    def value(self, begin: int) -> tuple[Any, int, tuple[str, ...]]:
        try:
            value, end = STRICT.raw_decode(self.text, begin)
        except (ValueError, RecursionError):
            return read_value(self.text, begin, self.limits)
        return value, end, ()

    def in_string(self, begin: int) -> tuple[list[Found], int]:
        try:
            inner, end = _STRINGS.raw_decode(self.text, begin)
        except json.JSONDecodeError:
            return [], begin + 1
        if not any(sign in inner for sign in _SIGNS):
            return [], end
        return self.read_text(inner, self.lines.place(begin)), end

    def query_before(self, offset: int) -> str | None:
        return query_before(list(self.lines.lines[self.echo_from : self.lines.index_at(offset)]))
