"""Pieces of work: a big log is split where an entry begins, everything else is one piece.

The split depends on the bytes alone, never on how many workers there are, so that every way of running gives the same
pieces and the same audit.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import BinaryIO, Literal

from rowreckon.archive.files import PACKED, open_plain, size_of
from rowreckon.errors import InputError
from rowreckon.reading.logs.files import MARK, is_log

UNIT_BYTES = 8 << 20
"""About how many bytes of a log make a unit: small enough to share out, large enough to be worth sending."""

_PIECE = 1 << 20
_SEARCHED = 64 << 20
_WORDS = b" ms  plan:"
_LONGEST_LINE = 1 << 16
_MARK_LENGTH = 64
_CSV_BEGINS = re.compile(rb"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d\.\d+ [^,\n]*,")


@dataclass(frozen=True, slots=True)
class Unit:
    """A piece of one input: bytes `start` to `end` of a plain log, or the whole (`end` None).

    What is `packed` (gzip, zstd) is a log or plans; that is told when it is unpacked.
    """

    input: int
    path: str
    kind: Literal["log", "packed", "plans", "unreadable"]
    start: int = 0
    end: int | None = None
    bytes: int = 0
    reason: str | None = None


def units_of(paths: Sequence[str], *, unit_bytes: int = UNIT_BYTES) -> Iterator[Unit]:
    """The units of all inputs, in input order; what can't be opened is a unit too, which says why."""
    for number, path in enumerate(paths):
        try:
            yield from _units_of(number, path, unit_bytes)
        except InputError as error:
            reason = f"{error.what}; {error.hint}" if error.hint else error.what
            yield Unit(number, path, "unreadable", reason=reason)


def _units_of(number: int, path: str, unit_bytes: int) -> Iterator[Unit]:
    size = size_of(path)
    with open_plain(path) as stream:
        head = stream.read(4)
        if head.startswith(PACKED):
            yield Unit(number, path, "packed", bytes=size)
            return
        stream.seek(0)
        if not has_entries(stream):
            yield Unit(number, path, "plans", bytes=size)
            return
        start = 0
        while start < size:
            end = None if size - start <= unit_bytes * 3 // 2 else next_border(stream, start + unit_bytes)
            yield Unit(number, path, "log", start, end, (size if end is None else end) - start)
            if end is None:
                return
            start = end


def next_border(stream: BinaryIO, target: int) -> int | None:
    """The first byte at or behind `target` where an entry of the log module begins for certain; None if none does.

    A query's text may hold lines that look like an entry. In a stderr log they begin with a tab; in a CSV log their
    quotes are doubled; in a JSON log they are no lines.
    """
    # One byte earlier tells whether a line begins at the target itself.
    base, buffer, searched = target - 1, b"", 0
    stream.seek(base)
    while piece := stream.read(_PIECE):
        buffer += piece
        while (found := buffer.find(_WORDS, searched)) >= 0:
            body = found + len(_WORDS)
            if body + 4 > len(buffer):
                break
            start = buffer.rfind(b"\n", searched, found) + 1
            # Behind the first such words of a line there is only its entry's text: each line is looked at once.
            searched = body
            if (
                start
                and MARK.search(buffer, max(start, body - _MARK_LENGTH), body)
                and _begins_entry(buffer[start:body], buffer[body : body + 4])
            ):
                return base + start
        keep = max(len(buffer) - _LONGEST_LINE, 0)
        buffer, base, searched = buffer[keep:], base + keep, max(searched - keep, 0)
    return None


def _begins_entry(head: bytes, behind: bytes) -> bool:
    if head[:1] in (b"\t", b" "):
        return False
    if head[:1] == b"{":
        return behind.startswith(b"\\n")
    if _CSV_BEGINS.match(head) is not None and b',"duration: ' in head:
        return True
    return behind.lstrip(b"\r").startswith(b"\n\t")


def has_entries(stream: BinaryIO) -> bool:
    """Whether an entry of the log module begins within the first 64 MiB of a stream."""
    read, last = 0, b""
    read_some = getattr(stream, "read1", stream.read)
    while read < _SEARCHED and (piece := read_some(_PIECE)):
        if is_log(last + piece):
            return True
        read, last = read + len(piece), piece[-64:]
    return False
