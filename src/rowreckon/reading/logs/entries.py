"""Cut the log module's entries out of a stream of bytes, without looking at the lines in between.

The stream is searched for the words with which every entry begins; only around them are lines looked at. Memory holds
one piece of the stream and the entry at hand.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import BinaryIO

from rowreckon.frozen import frozen
from rowreckon.reading.logs.files import MARK

_PIECE = 1 << 20
_WORDS = b" ms  plan:"
_MARK_LENGTH = 64

# Behind a line break anything but a tab begins another entry.
_STDERR_END = re.compile(rb"\n(?!\t)")
# The last line of a plan in a form that closes what it opens.
_CLOSING = {b"{": b"\n\t}", b"<": b"\n\t</explain>"}
# How far behind lines of other processes the rest of a plan is looked for.
_MIXED = 1 << 16
_FIELD = rb'(?:"[^"]*(?:""[^"]*)*"|[^",\n]*)'
_CSV_RECORD = re.compile(_FIELD + rb"(?:," + _FIELD + rb"){20,40}(?:\r?\n|\Z)")
_CSV_BEGINS = re.compile(rb"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d\.\d+ [^,\n]*,")
_SEVERITY = re.compile(
    rb"\n[^\n]{0,400}?\b(?:LOG|ERROR|FATAL|PANIC|WARNING|NOTICE|INFO|DEBUG\d?"
    rb"|STATEMENT|DETAIL|HINT|CONTEXT|QUERY|LOCATION):  "
)


@frozen
class Entry:
    """One entry of the log module: `kind` is stderr, loose (no tabs before its lines), csv or json.

    `raw` is its bytes from the beginning of its line on, `body` the offset in them behind the words "plan:", `line`
    that line's number in the stream, `offset` that of its first byte, `cut` whether the stream ended within it,
    `mixed` whether lines of other processes stand in it.
    """

    kind: str
    raw: bytes
    body: int
    line: int
    cut: bool = False
    mixed: bool = False
    offset: int = 0


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
        self.buffer = b""
        self.position = 0
        self.forgotten = 0
        self.counted = counted
        self.line = 1
        self.ended = False
        # A pipe gives what is there, so that entries come out while the log is still being written.
        self.read = getattr(stream, "read1", stream.read)

    def run(self) -> Iterator[Entry]:
        self.more()
        searched = 0
        while True:
            found = self.buffer.find(_WORDS, searched)
            if found < 0:
                if self.ended:
                    return
                self.go_to(self.last_line())
                self.more()
                searched = self.position
                continue
            body = found + len(_WORDS)
            start = max(self.buffer.rfind(b"\n", self.position, found) + 1, self.position)
            if MARK.search(self.buffer, start, body) is None:
                searched = body
                continue
            self.go_to(start)
            yield self.entry(body - start)
            searched = self.position

    def more(self) -> bool:
        """Read another piece, forgetting what is done with; False at the end. Offsets before it are void then."""
        piece = self.read(max(_PIECE, (len(self.buffer) - self.position) // 2))
        if not piece:
            self.ended = True
            return False
        self.buffer = self.buffer[self.position :] + piece
        self.forgotten += self.position
        self.position = 0
        return True

    def go_to(self, offset: int) -> None:
        if self.counted:
            self.line += self.buffer.count(b"\n", self.position, offset)
        self.position = offset

    def last_line(self) -> int:
        """Where the last line begins: the words may be broken between two pieces, and an entry begins before them."""
        begin = max(self.buffer.rfind(b"\n") + 1, self.position)
        return begin if len(self.buffer) - begin <= self.max_entry else len(self.buffer) - _MARK_LENGTH

    def entry(self, body: int) -> Entry:
        """The entry at the position, with the offset of its body from there; go on behind it."""
        kind = self.kind(body)
        find = {"json": self.json_end, "csv": self.csv_end, "stderr": self.stderr_end, "loose": self.loose_end}[kind]
        while True:
            end, mixed = find(self.position + body)
            cut = False
            if end is None:
                if len(self.buffer) - self.position <= self.max_entry and self.more():
                    continue
                end, cut = self.last_end(kind, body)
            raw = self.buffer[self.position : end]
            entry = Entry(kind, raw, body, self.line, cut, mixed, self.forgotten + self.position)
            self.go_to(end)
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

    def json_end(self, body: int) -> tuple[int | None, bool]:
        end = self.buffer.find(b"\n", body)
        return (end + 1 if end >= 0 else None), False

    def csv_end(self, _body: int) -> tuple[int | None, bool]:
        match = _CSV_RECORD.match(self.buffer, self.position)
        if match is None or (match.end() == len(self.buffer) and not self.buffer.endswith(b"\n")):
            return None, False
        return match.end(), False

    def loose_end(self, body: int) -> tuple[int | None, bool]:
        match = _SEVERITY.search(self.buffer, body)
        return (match.start() + 1 if match is not None else None), False

    def stderr_end(self, body: int) -> tuple[int | None, bool]:
        natural = self.natural_end(body)
        closing = _CLOSING.get(self.buffer[body : body + 8].lstrip(b"\r\n\t ")[:1])
        if closing is None:
            return natural, False
        close = self.close(closing, body, natural if natural is not None else len(self.buffer))
        if close is not None or natural is None:
            return close, False
        # Broken off by lines of other processes: the rest may stand behind them.
        behind = natural - self.position
        while len(self.buffer) - self.position < behind + _MIXED and self.more():
            pass
        natural = self.position + behind
        following = self.buffer.find(_WORDS, natural, natural + _MIXED)
        rest = self.close(closing, natural - 1, following if following >= 0 else natural + _MIXED)
        return (rest, True) if rest is not None else (natural, False)

    def natural_end(self, body: int) -> int | None:
        """Behind the last line that begins with a tab; None while the next piece may begin with one."""
        match = _STDERR_END.search(self.buffer, body + 1)
        if match is None or (match.end() == len(self.buffer) and not self.ended):
            return None
        return match.end()

    def close(self, closing: bytes, start: int, end: int) -> int | None:
        for line_end in (b"\n", b"\r\n"):
            found = self.buffer.find(closing + line_end, start, end)
            if found >= 0:
                return found + len(closing) + len(line_end)
        return None

    def last_end(self, kind: str, body: int) -> tuple[int, bool]:
        """Where an entry ends that the stream or the limit cuts, and whether it is cut indeed."""
        if len(self.buffer) - self.position > self.max_entry:
            # Over the limit: take the words alone, and go on behind them.
            return max(self.position + body, self.buffer.find(b"\n", self.position + body) + 1), True
        if kind == "json":
            return len(self.buffer), not self.buffer.rstrip().endswith(b"}")
        return len(self.buffer), kind == "csv" or (kind == "stderr" and not self.buffer.endswith(b"\n"))
