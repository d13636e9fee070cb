"""Take off what psql, a mail, a chat, a source file or a spreadsheet put around the lines of a plan.

Each step is tried only where its sign is in the text, and none changes which line of the input a line came from.
"""

from __future__ import annotations

import html
import re
from array import array
from collections.abc import Sequence
from itertools import pairwise

from rowreckon.reading.folded import unfolded
from rowreckon.reading.lines import Lines

_ESCAPES = re.compile(r"\x1b(?:\[[0-9;?]*[ -/]*[@-~]|\][^\x07\x1b]*(?:\x07|\x1b\\))")
_SPACES = {ord(char): " " for char in "\u00a0\u2007\u202f\u2009\u2003\u2002"}
_NO_WIDTH = {ord(char): None for char in "\u200b\u200c\u200d\u2060\ufeff\u200e\u200f"}
_PLAIN = _SPACES | _NO_WIDTH
_CURLY = {ord("“"): '"', ord("”"): '"', ord("„"): '"', ord("‟"): '"'}

_PREFIX = re.compile(r"[ \t]{0,8}(?:(?:>[ \t]?)++|--(?!-)|//|#|\*(?!\s*Record))")
# These are matched against a whole line without its outer blanks; no two parts that repeat can match the same
# characters, so that a hostile line costs no more than its length.
_RULE = re.compile(r"[-+|]?--[-+| ]*|[┌├└╔╠╚]?[─═]{2}[─═┬┼┴┐┤┘╗╣╝╦╬╩ ]*")
_RECORD = re.compile(r"[-+┌├─|]{0,3}\[ RECORD \d+ \][-+─┬┼┤┐ ]*|\* Record \d+")
_HEADER = re.compile(r"[|│]?\s*QUERY PLAN\s*[|│]?")
# HTML's table around the lines; a line that is nothing but tags goes away with them.
_DROPPED = "\x1f"
_TAGS_ALONE = re.compile(r"^[ \t]*(?:</?(?:table|tbody|tr|pre|p|code|div)\b[^<>\n]*>[ \t]*)+$", re.M)
_TAGS = re.compile(r"(?m)^[ \t]*<td\b[^<>\n]*>|</?(?:t[dhr]|table|tbody|pre|code|p|div|span)\b[^<>\n]*>|<br ?/?>")
_BARS = ("|", "│")
# What the expressions above can match begins so or holds this: most lines need none of them.
_RULE_BEGINS, _RECORD_BEGINS = frozenset("-+|┌├└╔╠╚─═"), frozenset("-+┌├─|[*")
_IN_FRAMES = ("|", "│", "--", "─", "═", "QUERY PLAN", "RECORD ", "Record ", _DROPPED)
_EXPANDED = re.compile(r"[|│]? ?QUERY PLAN(?: [|│:] |[|│]| )")
_RECORD_GOES_ON = re.compile(r"[|│ ]? *[|│:]( |$)")
_NUMBER = "q"
"""Millions of numbers take a quarter of the memory in an array of this kind."""
_CSV_CELL = re.compile(r'"((?:- Plan:|<explain)(?:[^"]++|"")*+)"')
_CSV_ROW = re.compile(r'"(\s*+(?:->|[A-Z(])(?:[^"]++|"")*+)"$')


def unwrap(text: str) -> Lines:
    """The lines of `text` without the wrappings around them."""
    text = _plain_characters(text)
    lines: list[str] = text.split("\n")
    numbers: Sequence[int] = range(1, len(lines) + 1)
    if "(cost=" in text or "(actual " in text:
        lines, numbers = unfolded(lines, numbers)
    lines = _without_prefixes(lines)
    if any(sign in text for sign in _IN_FRAMES):
        lines, numbers = _without_frames(lines, numbers)
    lines, numbers = _rejoined(lines, numbers)
    lines = _without_line_ends([line.rstrip() for line in lines])
    if '"Plan"' not in text and '"Node Type"' not in text:
        lines = [_csv_row(line) if line[:1] == '"' else line for line in lines]
    return Lines(lines, numbers)


def _plain_characters(text: str) -> str:
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    if "\x1b" in text:
        text = _ESCAPES.sub("", text)
    if not text.isascii():
        text = text.translate(_PLAIN)
        if any(sign in text for sign in ("Plan”", "Plan“", "Node Type”", "Node Type“")):
            text = text.translate(_CURLY)
    if "<explain" not in text and any(
        sign in text for sign in ("&quot;Plan&quot;", "&quot;Node Type&quot;", "-&gt;", "<td")
    ):
        text = html.unescape(_TAGS.sub("", _TAGS_ALONE.sub(_DROPPED, text)).replace("&nbsp;", " "))
    if '""Plan""' in text or '""Node Type""' in text:
        text = text.replace('""', '"')
    if '"- Plan:' in text or '"<explain' in text:
        text = _CSV_CELL.sub(lambda match: match.group(1).replace('""', '"'), text)
    if "|====" in text:
        text = text.replace("\\|", "|")
    return text


def _without_prefixes(lines: list[str]) -> list[str]:
    """Strip what stands before the lines of a quotation or a comment: two in a row, or one with a node's figures."""
    begun = map(_PREFIX.match, lines)
    kinds = ["" if match is None else match.group().strip()[:2].rstrip() for match in begun]
    if not any(kinds):
        return lines
    stripped = list(lines)
    for index, kind in enumerate(kinds):
        near = kinds[index - 1] if index else "", kinds[index + 1] if index + 1 < len(kinds) else ""
        if kind and (kind in near or "(cost=" in lines[index] or "(actual " in lines[index]):
            match = _PREFIX.match(lines[index])
            if match is not None:
                stripped[index] = lines[index][match.end() :]
    return stripped


def _without_frames(lines: list[str], numbers: Sequence[int]) -> tuple[list[str], Sequence[int]]:
    """psql's table: rules, the bars at both ends, the column of names in the expanded display."""
    kept: list[str] = []
    kept_numbers = array(_NUMBER)
    expanded: int | None = None
    asciidoc = any(line.startswith("|====") for line in lines)
    for line, number in zip(lines, numbers, strict=True):
        bare = line.strip()
        if not bare and expanded is None:
            kept.append(line)
            kept_numbers.append(number)
            continue
        if bare == _DROPPED or bare.startswith("|===="):
            continue
        begin = bare[:1]
        if "QUERY PLAN" in bare and _HEADER.fullmatch(bare.removeprefix("^l")):
            line, expanded = "QUERY PLAN", None
        elif (begin in _RECORD_BEGINS and _RECORD.fullmatch(bare)) or (begin in _RULE_BEGINS and _RULE.fullmatch(bare)):
            continue
        elif "QUERY PLAN" in line and (match := _EXPANDED.match(line)) and line[match.end() :].strip():
            expanded = match.end()
            line = line[expanded:] if line[0] == "Q" else _without_bar(line[expanded:])
        elif expanded is not None and (_RECORD_GOES_ON.match(line) or not line[:expanded].strip()):
            if not bare:
                continue
            line = _without_bar(line[expanded:])
        elif len(bare) > 1 and bare[0] in _BARS and bare[-1] in _BARS:
            line, expanded = bare[1:-1], None
        elif asciidoc and line.startswith("|"):
            line = line[1:]
        else:
            expanded = None
        kept.append(line)
        kept_numbers.append(number)
    return kept, kept_numbers


def _without_bar(line: str) -> str:
    bare = line.rstrip()
    return bare[:-1] if bare[-1:] in _BARS else line


def _without_line_ends(lines: list[str]) -> list[str]:
    """psql's mark of a value that goes on in the next line, where two lines in a row have it."""
    marked = [line.endswith(("+", "↵")) for line in lines]
    if not any(marked):
        return lines
    bare = list(lines)
    for index, (this, following) in enumerate(pairwise([*marked, False])):
        if this and (following or (index and marked[index - 1])):
            bare[index] = lines[index][:-1].rstrip()
    return bare


def _rejoined(lines: list[str], numbers: Sequence[int]) -> tuple[list[str], Sequence[int]]:
    """Lines that psql's wrapped format broke: a dot (or an ellipsis) ends the one and begins the next.

    Takes each of `lines` away as it goes, so that no text is held twice.
    """
    if not any(line.startswith((".", "…")) for line in lines):
        return lines, numbers
    joined: list[str] = []
    joined_numbers = array(_NUMBER)
    growing: _Growing | None = None
    lines.reverse()
    for number in numbers:
        line = lines.pop()
        mark = line[:1]
        if mark in (".", "…") and growing is not None and growing.ends_with(mark):
            growing.go_on(line[1:])
            continue
        if growing is not None:
            joined.append(growing.text())
        growing = _Growing(line)
        joined_numbers.append(number)
    if growing is not None:
        joined.append(growing.text())
    return joined, joined_numbers


class _Growing:
    """A line that grows at its end and loses its last sign each time: each sign is copied once, however often."""

    __slots__ = ("lengths", "pieces")

    def __init__(self, line: str) -> None:
        # Each piece with its length without the signs it has lost; none is empty but a first one.
        self.pieces, self.lengths = [line], array(_NUMBER, (len(line),))

    def ends_with(self, mark: str) -> bool:
        if not self.pieces:
            return False
        length = self.lengths[-1]
        return length > 0 and self.pieces[-1][length - 1] == mark

    def go_on(self, rest: str) -> None:
        if self.lengths[-1] > 1:
            self.lengths[-1] -= 1
        else:
            self.pieces.pop()
            self.lengths.pop()
        if rest:
            self.pieces.append(rest)
            self.lengths.append(len(rest))

    def text(self) -> str:
        if len(self.pieces) == 1 and self.lengths[0] == len(self.pieces[0]):
            return self.pieces[0]
        return "".join(text[:length] for text, length in zip(self.pieces, self.lengths, strict=True))


def _csv_row(line: str) -> str:
    match = _CSV_ROW.match(line)
    return match.group(1).replace('""', '"') if match is not None else line
