"""A text as lines that remember their number in the input, while wrappings around them are taken off."""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Sequence
from itertools import accumulate


class Lines:
    """The lines of a text without their ends; `numbers[i]` is the line number that line i has in the input.

    `text` is the lines joined by newlines, `starts[i]` the offset of line i in it.
    """

    __slots__ = ("lines", "numbers", "starts", "text")

    def __init__(self, lines: Sequence[str], numbers: Sequence[int]) -> None:
        self.lines = lines
        self.numbers = numbers
        self.text = "\n".join(lines)
        # An array takes a quarter of what a list of millions takes.
        self.starts = array("q", accumulate((len(line) + 1 for line in lines[:-1]), initial=0)) if lines else array("q")

    def index_at(self, offset: int) -> int:
        """The index of the line that holds `offset` of `text`."""
        return max(0, bisect_right(self.starts, offset) - 1)

    def place(self, offset: int, *, column: bool = False) -> str:
        """`offset` of `text` as a place in the input: "line 12", or "line 12, column 7"."""
        if not self.lines:
            return "line 1"
        index = self.index_at(offset)
        line = f"line {self.numbers[index]}"
        return f"{line}, column {offset - self.starts[index] + 1}" if column else line
