"""Cut the log module's entries out of a stream of bytes, without looking at the lines in between.

The stream is searched for the words with which every entry begins; only around them are lines looked at. Memory holds
one piece of the stream and the entry at hand, and no byte is searched again because another piece has come.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import BinaryIO

from rowreckon.frozen import frozen
from rowreckon.reading.logs.ends import CsvEnd, Ending, JsonEnd, LooseEnd, StderrEnd, closes
from rowreckon.reading.logs.files import MARK

_PIECE = 1 << 20
_WORDS = b" ms  plan:"
_MARK_LENGTH = 64
MOST_PREFIX = 1 << 20
"""The most bytes kept of a line before its words: a prefix, or the fields of a CSV or JSON log, are far shorter."""

# How far behind lines of other processes the rest of a plan is looked for.
_MIXED = 1 << 16
# So far behind the words of an entry over the limit its line's end is looked for, to go on there.
_REST_OF_LINE = 1 << 12
_CSV_BEGINS = re.compile(rb"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d\.\d+ [^,\n]*,")


@frozen
class Entry:
    """One entry of the log module: `kind` is stderr, loose (no tabs before its lines), csv or json.

    `raw` is its bytes from the beginning of its line on, `body` the offset in them behind the words "plan:", `line`
    that line's number in the stream, `offset` that of its first byte, `cut` whether the stream ended within it,
    `mixed` whether lines of other processes stand in it, `too_long` whether it is over the limit;
    `raw` is its beginning then.
    """

    kind: str
    raw: bytes
    body: int
    line: int
    cut: bool = False
    mixed: bool = False
    offset: int = 0
    too_long: bool = False


def log_entries(stream: BinaryIO, *, max_entry: int, counted: bool = True) -> Iterator[Entry]:
    """The entries in `stream`, in order. An entry longer than `max_entry` bytes is given as cut.

    With `counted` off lines are not counted, which takes as long as finding the entries: every `line` is 1.
    """
    return _Cutter(stream, max_entry, counted=counted).run()


class _Cutter:
    """`buffer` holds a piece of the stream; all before `position` is done with, and `line` is the line there."""

    def __init__(self, stream: BinaryIO, max_entry: int, *, counted: bool = True) -> None:
        self.stream = stream
        self.max_entry = max_entry
        self.buffer = bytearray()
        self.position = 0
        self.forgotten = 0
        self.counted = counted
        self.line = 1
        self.ended = False
        # Where in the stream each kind of entry has no end before: what one entry over the limit found, for the next.
        self.endless: dict[str, int] = {}
        # A pipe gives what is there, so that entries come out while the log is still being written.
        self.read = getattr(stream, "read1", stream.read)

    def run(self) -> Iterator[Entry]:
        self.more()
        searched, start = 0, 0
        while True:
            found = self.buffer.find(_WORDS, searched)
            begun = self.buffer.rfind(b"\n", searched, found if found >= 0 else len(self.buffer)) + 1
            start = max(begun, start)
            if found < 0:
                if self.ended:
                    return
                self.go_to(max(start, len(self.buffer) - MOST_PREFIX))
                # The words may be broken between two pieces.
                behind = max(len(self.buffer) - self.position - len(_WORDS), 0)
                self.more()
                searched, start = self.position + behind, self.position
                continue
            body = found + len(_WORDS)
            if MARK.search(self.buffer, max(start, body - _MARK_LENGTH), body) is None:
                searched = body
                continue
            self.go_to(start)
            yield self.entry(body - start)
            searched = start = self.position

    def more(self) -> bool:
        """Read another piece, forgetting what is done with; False at the end. Offsets before it are void then."""
        del self.buffer[: self.position]
        self.forgotten += self.position
        self.position = 0
        piece = self.read(_PIECE)
        if not piece:
            self.ended = True
            return False
        self.buffer += piece
        return True

    def go_to(self, offset: int) -> None:
        if self.counted:
            self.line += self.buffer.count(b"\n", self.position, offset)
        self.position = offset

    def entry(self, body: int) -> Entry:
        """The entry at the position, with the offset of its body from there; go on behind it."""
        kind = self.kind(body)
        ending = self.ending(kind, body)
        mixed = cut = too_long = False
        while (end := ending.find(self.buffer, self.position, self.ended)) is None:
            if self.ended or len(self.buffer) - self.position > self.max_entry:
                self.endless[kind] = self.forgotten + self.position + ending.seen
                too_long = len(self.buffer) - self.position > self.max_entry
                end, cut = self.last_end(kind, body)
                break
            self.more()
        else:
            if isinstance(ending, StderrEnd) and not ending.closed:
                end, mixed = self.rest_behind(ending, end)
        start = self.position
        too_long = too_long or end > self.max_entry
        with memoryview(self.buffer) as view:
            raw = bytes(view[start : start + (body if too_long else end)])
        entry = Entry(kind, raw, body, self.line, cut, mixed, self.forgotten + start, too_long)
        self.go_to(start + end)
        return entry

    def kind(self, body: int) -> str:
        while len(self.buffer) < self.position + body + 3 and self.more():
            pass
        head = self.buffer[self.position : self.position + body]
        follows = self.buffer[self.position + body : self.position + body + 3]
        if follows.startswith(b"\\n") and head.lstrip()[:1] == b"{":
            return "json"
        if _CSV_BEGINS.match(head) is not None and b',"duration: ' in head:
            return "csv"
        return "stderr" if follows.lstrip(b"\r").startswith(b"\n\t") else "loose"

    def ending(self, kind: str, body: int) -> Ending:
        if kind == "csv":
            return CsvEnd()
        begin = max(body, self.endless.get(kind, 0) - self.forgotten - self.position)
        if kind == "json":
            return JsonEnd(begin)
        if kind == "loose":
            return LooseEnd(begin)
        while len(self.buffer) < self.position + body + 8 and self.more():
            pass
        return StderrEnd(body, bytes(self.buffer[self.position + body : self.position + body + 8]), begin)

    def rest_behind(self, ending: StderrEnd, end: int) -> tuple[int, bool]:
        """The entry's end, and whether lines of other processes stand in it: its rest may come behind them."""
        if ending.closing is None:
            return end, False
        while len(self.buffer) - self.position < end + _MIXED and self.more():
            pass
        behind = self.position + end
        following = self.buffer.find(_WORDS, behind, behind + _MIXED)
        rest = closes(self.buffer, ending.closing, behind - 1, following if following >= 0 else behind + _MIXED)
        return (rest - self.position, True) if rest is not None else (end, False)

    def last_end(self, kind: str, body: int) -> tuple[int, bool]:
        """Where an entry ends that the stream or the limit cuts, and whether it is cut indeed."""
        size = len(self.buffer) - self.position
        if size > self.max_entry:
            # Over the limit: take the words alone, and go on behind them.
            line_end = self.buffer.find(b"\n", self.position + body, self.position + body + _REST_OF_LINE)
            return max(body, line_end + 1 - self.position), True
        if kind == "json":
            return size, not self.buffer[-100:].rstrip().endswith(b"}")
        return size, kind == "csv" or (kind == "stderr" and not self.buffer.endswith(b"\n"))
