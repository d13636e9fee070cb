"""Cut the log module's entries out of a stream of bytes, without looking at the lines in between.

The stream is searched for the words with which every entry begins; only around them are lines looked at. Memory holds
one piece of the stream and the entry at hand.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

from rowreckon.reading.logs.files import MARK

_PIECE = 1 << 20
_MARK_BEGINS = b"duration: "
_MARK_LENGTH = 64

# Behind a line break anything but a tab begins another entry.
_STDERR_END = re.compile(rb"\n(?!\t)")
# The last line of a plan in a form that closes what it opens.
_CLOSED = {b"{": re.compile(rb"\n\t\}\r?(?:\n|\Z)"), b"<": re.compile(rb"\n\t</explain>\r?(?:\n|\Z)")}
# How far behind lines of other processes the rest of a plan is looked for.
_MIXED = 1 << 16
_FIELD = rb'(?:"[^"]*(?:""[^"]*)*"|[^",\n]*)'
_CSV_RECORD = re.compile(_FIELD + rb"(?:," + _FIELD + rb"){20,40}(?:\r?\n|\Z)")
_CSV_BEGINS = re.compile(rb"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d\.\d+ [^,\n]*,")
_SEVERITY = re.compile(
    rb"\n[^\n]{0,400}?\b(?:LOG|ERROR|FATAL|PANIC|WARNING|NOTICE|INFO|DEBUG\d?"
    rb"|STATEMENT|DETAIL|HINT|CONTEXT|QUERY|LOCATION):  "
)


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the log module: `kind` is stderr, loose (no tabs before its lines), csv or json.

    `raw` is its bytes from the beginning of its line on, `line` that line's number in the stream, `cut` whether the
    stream ended within it.
    """

    kind: str
    raw: bytes
    line: int
    cut: bool = False


def log_entries(stream: BinaryIO, *, max_entry: int) -> Iterator[Entry]:
    """The entries in `stream`, in order. An entry longer than `max_entry` bytes is given as cut."""
    return _Cutter(stream, max_entry).run()


class _Cutter:
    def __init__(self, stream: BinaryIO, max_entry: int) -> None:
        self.stream = stream
        self.max_entry = max_entry
        self.buffer = b""
        self.line = 1
        self.ended = False
        # A pipe gives what is there, so that entries come out while the log is still being written.
        self.read = getattr(stream, "read1", stream.read)

    def run(self) -> Iterator[Entry]:
        self.more()
        while True:
            match = MARK.search(self.buffer) if _MARK_BEGINS in self.buffer else None
            if match is None:
                if self.ended:
                    return
                self.forget_all_but_last_line()
                self.more()
                continue
            start = self.line_start(match.start())
            self.drop(start)
            entry, length = self.entry(match.start() - start, match.end() - start)
            yield entry
            self.drop(length)

    def more(self) -> bool:
        """Read another piece; False at the end."""
        piece = self.read(max(_PIECE, len(self.buffer) // 2))
        if not piece:
            self.ended = True
            return False
        self.buffer += piece
        return True

    def drop(self, length: int) -> None:
        self.line += self.buffer.count(b"\n", 0, length)
        self.buffer = self.buffer[length:]

    def forget_all_but_last_line(self) -> None:
        # The words may be broken between two pieces, and a CSV entry begins with the line that they are in.
        keep = self.buffer.rfind(b"\n") + 1
        if len(self.buffer) - keep > self.max_entry:
            keep = len(self.buffer) - _MARK_LENGTH
        self.drop(keep)

    def line_start(self, offset: int) -> int:
        return self.buffer.rfind(b"\n", 0, offset) + 1

    def entry(self, mark: int, body: int) -> tuple[Entry, int]:
        """The entry at the beginning of the buffer, and its length."""
        kind = self.kind(mark, body)
        find = {"json": self.json_end, "csv": self.csv_end, "stderr": self.stderr_end, "loose": self.loose_end}[kind]
        while True:
            end = find(body)
            if end is not None:
                return Entry(kind, self.buffer[:end], self.line), end
            if len(self.buffer) > self.max_entry or not self.more():
                end = self.last_end(body)
                cut = kind != "loose" and not self.whole_at_end(kind, end)
                return Entry(kind, self.buffer[:end], self.line, cut), end

    def kind(self, mark: int, body: int) -> str:
        while len(self.buffer) < body + 3 and self.more():
            pass
        head = self.buffer[:mark]
        if head.lstrip()[:1] == b"{" and b'"' in head and self.buffer[body : body + 2] == b"\\n":
            return "json"
        if head.endswith(b'"') and _CSV_BEGINS.match(head):
            return "csv"
        return "stderr" if self.buffer[body : body + 3].lstrip(b"\r").startswith(b"\n\t") else "loose"

    def json_end(self, body: int) -> int | None:
        end = self.buffer.find(b"\n", body)
        return end + 1 if end >= 0 else None

    def csv_end(self, _body: int) -> int | None:
        match = _CSV_RECORD.match(self.buffer)
        if match is None or (match.end() == len(self.buffer) and not self.buffer.endswith(b"\n")):
            return None
        return match.end()

    def stderr_end(self, body: int) -> int | None:
        closed = _CLOSED.get(self.buffer[body : body + 8].lstrip(b"\r\n\t ")[:1])
        natural = _STDERR_END.search(self.buffer, body + 1)
        if natural is not None and natural.end() == len(self.buffer) and not self.ended:
            # The next piece may begin with a tab.
            natural = None
        if closed is None:
            return natural.end() if natural is not None else None
        until = natural.end() if natural is not None else len(self.buffer)
        if (close := closed.search(self.buffer, body, until)) is not None and self.buffer[close.end() - 1] == 10:
            return close.end()
        if natural is None:
            return None
        # Broken off by lines of other processes: the rest may stand behind them.
        while len(self.buffer) < natural.end() + _MIXED and self.more():
            pass
        following = MARK.search(self.buffer, natural.end(), natural.end() + _MIXED)
        until = following.start() if following is not None else natural.end() + _MIXED
        rest = closed.search(self.buffer, natural.start(), until)
        return rest.end() if rest is not None else natural.end()

    def loose_end(self, body: int) -> int | None:
        match = _SEVERITY.search(self.buffer, body)
        return match.start() + 1 if match is not None else None

    def last_end(self, body: int) -> int:
        if len(self.buffer) <= self.max_entry:
            return len(self.buffer)
        # Over the limit: take the words alone, and go on behind them.
        return max(body, self.buffer.find(b"\n", body) + 1)

    def whole_at_end(self, kind: str, end: int) -> bool:
        """Whether an entry that ends with the stream can be whole."""
        if kind == "stderr":
            return self.buffer[:end].endswith(b"\n")
        return kind == "json" and self.buffer[:end].rstrip().endswith(b"}")
