"""The plan's picture as fixed-width text, for the terminal and Markdown. Marks carry the meaning, colour only helps."""

from __future__ import annotations

import textwrap
from typing import Literal

from rich.cells import cell_len

from rowreckon.frozen import frozen
from rowreckon.report.drawings.plan_picture import FoldLine, NodeLine, PlanPicture, Rails, RowStrip
from rowreckon.report.drawings.scale import fitting, short_decade
from rowreckon.report.words.escape import plain
from rowreckon.report.words.numbers import milliseconds

Kind = Literal["", "name", "verdict", "enters", "under", "over", "quiet", "bar"]
Piece = tuple[str, Kind]

_DEEPEST = 8  # levels drawn with rails of two columns; deeper plans get rails of one
_MOST_RAILS = 14
_LEAST_NAME = 24  # columns
_WIDEST_STRIP = 40
_LEAST_MS = 0.005  # below, a time reads as nothing


@frozen
class _Glyphs:
    through: str
    branch: str
    end: str
    expected: str
    came: str
    both: str
    switch: str
    pair: str
    under: str
    over: str
    more: str
    enters: str
    bars: str
    cut: str


_UNICODE = _Glyphs("│", "├", "└", "○", "●", "◉", "┃", "─", "━", "╍", "›", "▼", " ▏▎▍▌▋▊▉█", "…")
_ASCII = _Glyphs("|", "|", "`", "o", "@", "8", "|", "-", "=", "~", ">", "v", "  .::||##", "..")


@frozen
class _Widths:
    """Columns of the four parts, one blank between; how far a level is set in."""

    whole: int
    name: int
    strip: int
    time: int
    bar: int
    step: int  # a level of the rails


def plan_text(picture: PlanPicture, width: int, *, ascii_only: bool = False) -> list[list[Piece]]:
    """Lines of pieces, each line at most `width` columns (50 at least): a scale, the nodes, what the marks mean."""
    glyphs = _ASCII if ascii_only else _UNICODE
    wide = _widths(picture, max(width, 50))
    lines: list[list[Piece]] = [[(_scale(picture, wide), "quiet")]]
    for line in picture.lines:
        lines += _fold(line, wide, glyphs) if isinstance(line, FoldLine) else _node(picture, line, wide, glyphs)
    return [*lines, *_quiet(_legend(picture, wide.whole, glyphs))]


def as_text(lines: list[list[Piece]]) -> str:
    """The lines without their kinds."""
    return "\n".join("".join(text for text, _ in line).rstrip() for line in lines)


def _widths(picture: PlanPicture, whole: int) -> _Widths:
    strip, bar, time = (22, 8, 8) if whole >= 72 else (13, 5, 8)
    nodes = [line for line in picture.lines if isinstance(line, NodeLine)]
    if all(line.ms is None for line in nodes):
        time = bar = 0
    room = whole - strip - 1 - (time + bar + 2 if time else 0)
    step = 2 if all(line.rails.depth <= _DEEPEST for line in nodes) else 1
    longest = max((_name_width(line, step) for line in nodes), default=0)
    name = min(room, max(longest, _LEAST_NAME))
    return _Widths(whole, name, min(strip + room - name, _WIDEST_STRIP), time, bar, step)


def _name_width(line: NodeLine, step: int) -> int:
    return cell_len(_prefix(line.rails, _UNICODE, step, head=True)) + cell_len(f"{plain(line.name)}{plain(line.reads)}")


def _scale(picture: PlanPicture, wide: _Widths) -> str:
    row = [" "] * wide.strip
    texts = [short_decade(exponent) for exponent in range(picture.high + 1)]
    starts = [min(_column(picture, at, wide), wide.strip - len(text)) for at, text in enumerate(texts)]
    for place in fitting([(at, at + len(text)) for at, text in zip(starts, texts, strict=True)], 1):
        row[starts[place] : starts[place] + len(texts[place])] = texts[place]
    head = "rows".rjust(wide.name)
    times = f" {'own time':>{wide.time}}" if wide.time else ""
    return f"{head} {''.join(row)}{times}"


def _column(picture: PlanPicture, decade: float, wide: _Widths) -> int:
    return round(picture.fraction(decade) * (wide.strip - 1))


def _strip(picture: PlanPicture, rows: RowStrip, wide: _Widths, glyphs: _Glyphs) -> list[Piece]:
    cells = [" "] * wide.strip
    marks = [_column(picture, at, wide) for at in (rows.expected, rows.came) if at is not None]
    if len(marks) == 2:
        span = {"under": glyphs.under, "over": glyphs.over}.get(rows.error, glyphs.pair)
        for at in range(min(marks) + 1, max(marks)):
            cells[at] = span
    for switch in picture.switches(rows):
        cells[_column(picture, switch, wide)] = glyphs.switch
    if rows.expected is not None:
        cells[_column(picture, rows.expected, wide)] = glyphs.expected
    if rows.came is not None:
        at = _column(picture, rows.came, wide)
        cells[at] = glyphs.both if cells[at] == glyphs.expected else glyphs.came
        if rows.more and at + 1 < wide.strip:
            cells[at + 1] = glyphs.more
    return [("".join(cells), rows.error)]


def _bar(part: float, width: int, bars: str) -> str:
    eighths = round(part * width * 8)
    whole, rest = divmod(eighths, 8)
    return bars[8] * whole + (bars[rest] if rest else "")


def _prefix(rails: Rails, glyphs: _Glyphs, step: int, *, head: bool) -> str:
    """The rails before a node's name (`head`), or before a further line of it."""
    if not rails.above and not head:
        return f"{glyphs.through} " if rails.opens else "  "
    if not rails.above:
        return ""
    passed = [f"{glyphs.through if goes else ' ':<{step}}" for goes in rails.above[:-1]]
    cut = glyphs.cut if len(passed) > _MOST_RAILS else ""
    passed = passed[-_MOST_RAILS:]
    if head:
        own = f"{glyphs.end if rails.last else glyphs.branch} "
    else:
        own = f"{' ' if rails.last else glyphs.through:<{step}}{glyphs.through if rails.opens else ' '} "
    return f"{cut}{''.join(passed)}{own}"


def _node(picture: PlanPicture, line: NodeLine, wide: _Widths, glyphs: _Glyphs) -> list[list[Piece]]:
    head = _prefix(line.rails, glyphs, wide.step, head=True)
    below = _prefix(line.rails, glyphs, wide.step, head=False)
    names = _named(plain(line.name), plain(line.reads), wide.name - cell_len(head), wide.name - cell_len(below))
    pad = " " * max(0, wide.name - cell_len(head) - cell_len(names[0]))
    first: list[Piece] = [(head, "quiet"), (names[0], "name"), (f"{pad} ", "")]
    first += _strip(picture, line.rows, wide, glyphs)
    if wide.time:
        shown = milliseconds(line.ms) if line.ms is not None and line.ms >= _LEAST_MS else ""
        first += [(f" {shown:>{wide.time}} ", ""), (_bar(picture.part(line.ms), wide.bar, glyphs.bars), "bar")]
    lines = [first]
    for text in names[1:]:
        lines.append([(below, "quiet"), (text, "name")])
    for text, kind in _notes(line, glyphs):
        for number, part in enumerate(_wrapped(text, wide.whole - cell_len(below), wide.whole - cell_len(below) - 2)):
            lines.append([(below, "quiet"), (f"{'  ' if number else ''}{part}", kind)])
    return lines


def _notes(line: NodeLine, glyphs: _Glyphs) -> list[tuple[str, Kind]]:
    found: list[tuple[str, Kind]] = []
    judged = ": ".join(plain(part) for part in (line.verdict, line.border) if part)
    if judged and line.verdict != "accurate":
        found.append((judged, "verdict" if line.verdict == "crossed" else ""))
    if line.enters:
        found.append((f"{glyphs.enters} {plain(line.enters)}", "enters"))
    return found


def _named(name: str, reads: str, first: int, further: int) -> list[str]:
    """The name with what the node reads: on one line, else what it reads on the next."""
    if cell_len(name) + cell_len(reads) <= first:
        return [f"{name}{reads}"]
    if cell_len(name) <= first:
        return [name, *_wrapped(reads.strip(), further, further)]
    return _wrapped(f"{name}{reads}", first, further)


def _wrapped(text: str, first: int, further: int) -> list[str]:
    """The text in lines; wide letters count as two columns."""
    spread = sum(cell_len(char) - 1 for char in text) if not text.isascii() else 0
    room = max(10, first - spread)
    head, *rest = textwrap.wrap(text, room, break_on_hyphens=False) or [""]
    return [head, *textwrap.wrap(" ".join(rest), max(10, further - spread), break_on_hyphens=False)]


def _quiet(texts: list[str]) -> list[list[Piece]]:
    kind: Kind = "quiet"
    return [[(text, kind)] for text in texts]


def _fold(line: FoldLine, wide: _Widths, glyphs: _Glyphs) -> list[list[Piece]]:
    head = _prefix(line.rails, glyphs, wide.step, head=True)
    room = wide.whole - cell_len(head)
    texts = _wrapped(plain(line.said), room, room)
    return _quiet([f"{head}{texts[0]}", *(f"{' ' * cell_len(head)}{text}" for text in texts[1:])])


def _legend(picture: PlanPicture, width: int, glyphs: _Glyphs) -> list[str]:
    """What the marks that occur mean."""
    strips = [line.rows for line in picture.lines if isinstance(line, NodeLine)]
    parts = [f"{glyphs.expected} expected"]
    if any(rows.came is not None for rows in strips):
        parts.append(f"{glyphs.came} came")
    if any(rows.more for rows in strips):
        parts.append(f"{glyphs.more} or more")
    if any(rows.error == "under" for rows in strips):
        parts.append(f"{glyphs.under} more came")
    if any(rows.error == "over" for rows in strips):
        parts.append(f"{glyphs.over} fewer came")
    if any(picture.switches(rows) for rows in strips):
        parts.append(f"{glyphs.switch} switch point")
    return textwrap.wrap(", ".join(parts), width)
