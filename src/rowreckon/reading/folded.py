"""Lines that a terminal or a mail broke at a fixed column, in the middle of words and numbers."""

from __future__ import annotations

import re
from array import array
from collections.abc import Sequence

_NARROWEST = 40
_WIDEST = 400
_LEAST = 2  # lines that end at the column, one of which breaks off within a node's figures
_FIGURES_END = re.compile(r"[^():]*\)")
_FIGURES = ("(cost=", "(actual ")


def unfolded(lines: list[str], numbers: Sequence[int]) -> tuple[list[str], Sequence[int]]:
    """The lines of a text plan put together again; as they are where nothing shows that they were broken.

    A line goes on in the next one if it ends at the column at which all long lines end, unless a node begins there.
    """
    width = max(map(len, lines), default=0)
    if not _NARROWEST <= width <= _WIDEST:
        return lines, numbers
    full = [index for index, line in enumerate(lines) if len(line) == width]
    broken = [index for index in full if _breaks_off(lines[index])]
    if len(full) < _LEAST or not broken or not all(_goes_on_at(lines, index + 1) for index in broken):
        return lines, numbers
    whole: list[str] = []
    kept = array("q")
    goes_on = False
    pieces: list[str] = []
    for line, number in zip(lines, numbers, strict=True):
        if pieces and not (goes_on and line and not line.lstrip().startswith("->")):
            whole.append("".join(pieces))
            pieces = []
        if not pieces:
            kept.append(number)
        pieces.append(line)
        goes_on = len(line) == width
    whole.append("".join(pieces))
    return whole, kept


def _goes_on_at(lines: list[str], index: int) -> bool:
    """Whether the figures of the line before end here: else its end was cut off and is lost."""
    return index < len(lines) and _FIGURES_END.match(lines[index]) is not None


def _breaks_off(line: str) -> bool:
    """Whether a line ends within the figures of a node."""
    begun = max(line.rfind(sign) for sign in _FIGURES)
    return begun >= 0 and ")" not in line[begun:]
