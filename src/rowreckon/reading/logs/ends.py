"""Where an entry of a log ends, looked for while its bytes still come: none is looked at a second time.

Offsets count from the entry's first byte, so that they hold while the bytes before the entry are forgotten. Each find
gives the offset behind the entry's last byte, or None while the bytes at hand do not tell.
"""

from __future__ import annotations

import re

CLOSING = {b"{": b"\n\t}", b"<": b"\n\t</explain>"}
"""The last line of a plan in a form that closes what it opens, by the sign with which it begins."""

_LONGEST_CLOSING = max(map(len, CLOSING.values())) + 2
# Behind a line break anything but a tab begins another entry. Each pattern begins with a sign of its own, the line
# break, which is twelve times as quick to search for as one of two.
_ENDS = {b"": re.compile(rb"\n(?!\t)")} | {
    opened: re.compile(rb"\n(?:(?P<close>" + re.escape(closing[1:]) + rb"\r?\n)|(?!\t))")
    for opened, closing in CLOSING.items()
}
_SEVERITY = re.compile(
    rb"\n[^\n]{0,400}?\b(?:LOG|ERROR|FATAL|PANIC|WARNING|NOTICE|INFO|DEBUG\d?"
    rb"|STATEMENT|DETAIL|HINT|CONTEXT|QUERY|LOCATION):  "
)
# A line break and the severity behind it lie no further apart than this.
_MOST_SEVERITY = 500
# As much of a CSV record as has no quote open and no line break outside of quotes.
_CSV_CLOSED = re.compile(rb'(?:[^"\n]++|"[^"]*+")*+')


class JsonEnd:
    """The end of a line, since JSON has none within."""

    def __init__(self, begin: int) -> None:
        self.seen = begin

    def find(self, buffer: bytearray, start: int, ended: bool) -> int | None:
        """The offset behind the line's end."""
        found = buffer.find(b"\n", start + self.seen)
        self.seen = len(buffer) - start
        return found + 1 - start if found >= 0 else None


class LooseEnd:
    """The next line that carries a severity: for entries whose lines have no tab before them."""

    def __init__(self, begin: int) -> None:
        self.seen = begin

    def find(self, buffer: bytearray, start: int, ended: bool) -> int | None:
        """The offset at which the next message's line begins."""
        match = _SEVERITY.search(buffer, start + self.seen)
        if match is not None:
            return match.start() + 1 - start
        # The last line may not be whole yet.
        open_line = buffer.rfind(b"\n", max(start + self.seen, len(buffer) - _MOST_SEVERITY))
        self.seen = (open_line if open_line >= 0 else len(buffer)) - start
        return None


class CsvEnd:
    """The first line break outside of quotes; a record is read from its beginning, where no quote is open."""

    def __init__(self) -> None:
        self.seen = 0
        self.quoted = False

    def find(self, buffer: bytearray, start: int, ended: bool) -> int | None:
        """The offset behind the record's line break."""
        if self.quoted:
            closing = buffer.find(b'"', start + self.seen)
            if closing < 0:
                self.seen = len(buffer) - start
                return None
            self.quoted, self.seen = False, closing + 1 - start
        match = _CSV_CLOSED.match(buffer, start + self.seen)
        assert match is not None
        end = match.end()
        if end == len(buffer):
            self.seen = end - start
            return end - start if ended else None
        if buffer[end] == 0x0A:
            return end + 1 - start
        # A quote that nothing at hand closes.
        self.quoted, self.seen = True, len(buffer) - start
        return None


class StderrEnd:
    """The first line that begins with no tab, or the line that closes what the plan opened, whichever comes first."""

    def __init__(self, body: int, follows: bytes, seen: int) -> None:
        opened = follows.lstrip(b"\r\n\t ")[:1]
        self.closing = CLOSING.get(opened)
        self.closed = False
        self.pattern = _ENDS[opened if opened in _ENDS else b""]
        self.seen = max(body, seen)

    def find(self, buffer: bytearray, start: int, ended: bool) -> int | None:
        """The offset behind the entry; `closed` says then whether its plan closed."""
        match = self.pattern.search(buffer, start + self.seen)
        if match is not None and (match.lastgroup == "close" or match.end() < len(buffer) or ended):
            self.closed = match.lastgroup == "close"
            return match.end() - start
        # The last line may have come in part.
        self.seen = max(self.seen, len(buffer) - start - _LONGEST_CLOSING)
        return None


Ending = JsonEnd | LooseEnd | CsvEnd | StderrEnd


def closes(buffer: bytearray, closing: bytes, start: int, end: int) -> int | None:
    """Where, in the buffer, the first closing line between the two offsets has ended."""
    first: int | None = None
    for line_end in (b"\n", b"\r\n"):
        found = buffer.find(closing + line_end, start, end)
        if found >= 0:
            behind = found + len(closing) + len(line_end)
            first = behind if first is None else min(first, behind)
    return first
