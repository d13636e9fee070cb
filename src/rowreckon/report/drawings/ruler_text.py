"""The row ruler as fixed-width text, for the terminal and Markdown. Patterns and marks carry the meaning, no colour."""

from __future__ import annotations

from rowreckon.report.drawings.ruler import Ruler, Tick
from rowreckon.report.drawings.scale import fitting
from rowreckon.report.words.numbers import number

_UNICODE = {
    "fills": "─═┄╍",
    "open": "·",
    "bare": "╌",
    "estimate": "○",
    "actual": "●",
    "both": "◉",
    "switch": "┃",
    "span": "~",
    "stem": "│",
}
_ASCII = {
    "fills": "-=~+",
    "open": ".",
    "bare": ".",
    "estimate": "o",
    "actual": "@",
    "both": "8",
    "switch": "|",
    "span": "~",
    "stem": "|",
}
_METHOD_ORDER = ("nested_loop", "hash", "merge")
_MIN_WIDTH = 24
_WORD_GAP = "\x00"
"""Stands between a label's words until all is drawn, so that no stem of another goes through."""
_TOO_CLOSE = 3  # columns: marks nearer than this share a label


def ruler_text(ruler: Ruler, width: int, *, ascii_only: bool = False) -> list[str]:
    """The ruler in lines of at most `width` columns (24 at least): its title if it has one, names, the line with its
    marks, labels."""
    width = max(width, _MIN_WIDTH)
    glyphs = _ASCII if ascii_only else _UNICODE
    lines = [ruler.title] if ruler.title else []
    lines += _axis(ruler, width)
    names, all_named = _names(ruler, width)
    if names:
        lines.append(names)
    lines.append(_band(ruler, width, glyphs))
    lines += _labels(ruler, width, glyphs)
    if ruler.stretches and not all_named:
        lines += _wrapped_legend(ruler, width, glyphs)
    if ruler.note:
        lines.append(f"({ruler.note})")
    return [line for raw in lines for line in _fold(raw.rstrip(), width)]


def _column(ruler: Ruler, decade: float, width: int) -> int:
    return round(ruler.fraction(decade) * (width - 1))


def _fill(method: str | None, glyphs: dict[str, str]) -> str:
    if method is None:
        return glyphs["open"]
    return glyphs["fills"][_METHOD_ORDER.index(method) if method in _METHOD_ORDER else 3]


def _put(row: list[str], at: int, text: str) -> None:
    row[at : at + len(text)] = text


def _axis(ruler: Ruler, width: int) -> list[str]:
    """Decade labels; only as many as fit."""
    row = [" "] * width
    decades = range(ruler.low, ruler.high + 1)
    texts = [number(10.0**exponent) for exponent in decades]
    columns = [_column(ruler, float(exponent), width) for exponent in decades]
    starts = [min(at, width - len(text)) for at, text in zip(columns, texts, strict=True)]
    for place in fitting([(at, at + len(text)) for at, text in zip(starts, texts, strict=True)], 2):
        _put(row, starts[place], texts[place])
    return ["".join(row)]


def _names(ruler: Ruler, width: int) -> tuple[str, bool]:
    """Method names centred over their stretches, and whether every stretch got its name."""
    row = [" "] * width
    complete = True
    for stretch in ruler.stretches:
        left, right = _column(ruler, stretch.start, width), _column(ruler, stretch.end, width)
        label = stretch.label
        if right - left < len(label) + 2:
            complete = complete and stretch.method is None
            continue
        _put(row, left + (right - left - len(label)) // 2 + 1, label)
    return "".join(row).rstrip(), complete


def _band(ruler: Ruler, width: int, glyphs: dict[str, str]) -> str:
    row = [glyphs["bare"]] * width
    for stretch in ruler.stretches:
        left, right = _column(ruler, stretch.start, width), _column(ruler, stretch.end, width)
        _put(row, left, _fill(stretch.method, glyphs) * (right - left + 1))
    for kind in ("switch", "estimate", "actual"):
        for tick in ruler.ticks:
            if tick.kind == kind:
                column = _column(ruler, tick.at, width)
                met = kind == "actual" and row[column] == glyphs["estimate"]
                row[column] = glyphs["both" if met else kind]
    return "".join(row)


def _labels(ruler: Ruler, width: int, glyphs: dict[str, str]) -> list[str]:
    """Tick labels under the line, right to left, each hung from its column by a stem."""
    columns: dict[int, list[Tick]] = {}
    group = -_TOO_CLOSE
    for tick in ruler.ticks:
        column = _column(ruler, tick.at, width)
        group = column if column - group >= _TOO_CLOSE else group
        columns.setdefault(group, []).append(tick)
    rows: list[list[str]] = []
    for column in sorted(columns, reverse=True):
        for text in _texts(columns[column], width, glyphs):
            _hang(rows, column, text, width, glyphs["stem"], [c for c in columns if c < column])
    drawn = ("".join(row).replace(_WORD_GAP, " ").rstrip() for row in rows)
    return [line for line in drawn if line.strip(f" {glyphs['stem']}")]


def _texts(ticks: list[Tick], width: int, glyphs: dict[str, str]) -> list[str]:
    """One label for marks that stand together, or several where it would be too long."""
    if len(ticks) == 1:
        return [ticks[0].label]
    together = "; ".join(f"{glyphs[t.kind]} {t.label}" for t in ticks)
    return [together] if len(together) <= width else [f"{glyphs[t.kind]} {t.label}" for t in ticks]


def _hang(rows: list[list[str]], column: int, text: str, width: int, stem: str, waiting: list[int]) -> None:
    """Put the text on the first row where it fits, a stem up to its mark; columns in `waiting` still need a label."""
    if len(text) > width:
        rows.append(list(text))
        return
    wished = (column, column - len(text) + 1, column - len(text) // 2, width - len(text), 0)
    starts = [s for s in wished if 0 <= s <= width - len(text) and s <= column < s + len(text)]
    for depth in range(len(rows) + 1):
        for start in starts:
            covers = any(start - 1 <= c <= start + len(text) for c in waiting)
            if not covers and (depth == len(rows) or _is_free(rows[depth], start, len(text))):
                _write(rows, depth, start, column, text, width, stem)
                return
    # The text lies under marks further left: it goes deep enough for their labels to stand above it.
    _write(rows, len(rows) + len(waiting), starts[0], column, text, width, stem)


def _write(rows: list[list[str]], depth: int, start: int, column: int, text: str, width: int, stem: str) -> None:
    while len(rows) <= depth:
        rows.append([" "] * width)
    for above in rows[:depth]:
        if above[column] == " ":
            above[column] = stem
    _put(rows[depth], start, text.replace(" ", _WORD_GAP))


def _is_free(row: list[str], start: int, length: int) -> bool:
    return all(char == " " for char in row[max(0, start - 1) : start + length + 2])


def _wrapped_legend(ruler: Ruler, width: int, glyphs: dict[str, str]) -> list[str]:
    named = dict.fromkeys((stretch.method, stretch.label) for stretch in ruler.stretches)
    parts = [f"{_fill(method, glyphs) * 2} {label}" for method, label in named]
    return _fold("cheapest: " + ", ".join(parts), width)


def _fold(line: str, width: int) -> list[str]:
    if len(line) <= width:
        return [line]
    lines: list[str] = []
    current = ""
    for word in line.split(" "):
        if current and len(current) + 1 + len(word) > width:
            lines.append(current)
            current = word
        else:
            current = f"{current} {word}" if current else word
    return [*lines, current]
