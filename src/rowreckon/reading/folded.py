"""Lines that a terminal or a mail broke at a fixed column, in the middle of words and numbers."""

from __future__ import annotations

import re
from array import array
from collections.abc import Sequence

_NARROWEST = 40
_WIDEST = 400
_LEAST = 2  # lines that end at the column, one of which breaks off within a node's figures
_WHOLE = re.compile(
    r"\(cost=[\d.]+ rows=\d+ width=\d+\)|\(actual (?:time=[\d.]+ )?rows=[\d.]+ loops=\d+\)|\(actual never executed\)"
)
_LONGEST_FIGURES = 120
_FIGURES = ("(cost=", "(actual ")


def unfolded(lines: list[str], numbers: Sequence[int]) -> tuple[list[str], Sequence[int]]:
    """The lines of a text plan put together again; as they are where nothing shows that they were broken.

    A line goes on in the next one if it ends at the column at which all long lines end, unless a node begins there.
    """
    width = max(map(len, lines), default=0)
    if not _NARROWEST <= width <= _WIDEST:
        return lines, numbers
    full = [index for index, line in enumerate(lines) if len(line) == width]
    broken = [index for index, line in enumerate(lines) if _breaks_off(line)]
    if len(full) < _LEAST or not broken or not all(_whole_with_next(lines, index, width) for index in broken):
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


def _whole_with_next(lines: list[str], index: int, width: int) -> bool:
    """Whether a line that ends within its figures was broken at the column, so that the next one completes them as they
    stand: where a line was broken at a blank that is gone, or cut off, they do not."""
    if len(lines[index]) != width or index + 1 == len(lines):
        return False
    text = lines[index] + lines[index + 1][:_LONGEST_FIGURES]
    return _WHOLE.match(text, max(text.rfind(sign, 0, width) for sign in _FIGURES)) is not None


def _breaks_off(line: str) -> bool:
    """Whether a line ends within the figures of a node."""
    begun = max(line.rfind(sign) for sign in _FIGURES)
    return begun >= 0 and ")" not in line[begun:]
