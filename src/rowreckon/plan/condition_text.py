"""Cutting a condition's text in the server's own spelling: its tokens, and which brackets belong together.

Each token is looked at once for each bracket around it that falls away, so that deep nesting costs no more than length.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rowreckon.sql.grammar import Token

_CLOSING = {")": "(", "]": "["}


@dataclass(slots=True)
class Cutter:
    """A text with its tokens. A `Range` of it is the numbers of its first token and of the one behind its last."""

    text: str
    tokens: Sequence[Token]
    partner: dict[int, int] = field(init=False)
    """The bracket that closes each opening one, by their numbers."""

    def __post_init__(self) -> None:
        self.partner = {}
        waiting: list[int] = []
        for number, token in enumerate(self.tokens):
            if token.kind != "symbol":
                continue
            if token.text in _CLOSING.values():
                waiting.append(number)
            elif waiting and _CLOSING.get(token.text) == self.tokens[waiting[-1]].text:
                self.partner[waiting.pop()] = number

    def whole(self) -> tuple[int, int]:
        """The range of all of it, without the parentheses around it."""
        return self.bare(0, len(self.tokens))

    def bare(self, begin: int, end: int) -> tuple[int, int]:
        """The range without the parentheses that enclose all of it."""
        while end - begin > 2 and self.tokens[begin].text == "(" and self.partner.get(begin) == end - 1:
            begin, end = begin + 1, end - 1
        return begin, end

    def said(self, begin: int, end: int) -> str:
        """The text of a range."""
        return self.text[self.tokens[begin].start : self.tokens[end - 1].end] if begin < end else ""

    def top(self, begin: int, end: int) -> Iterator[int]:
        """The tokens of a range that stand in no brackets and in no CASE."""
        at = begin
        cases = 0
        while at < end:
            if self._says(at, "case"):
                cases += 1
            elif self._says(at, "end") and cases:
                cases -= 1
            elif not cases and at not in self.partner:
                yield at
            at = self.partner[at] + 1 if at in self.partner else at + 1

    def _says(self, at: int, word: str) -> bool:
        """Whether a token is this key word, and no name behind a dot."""
        return self.tokens[at].says(word) and not (at and self.tokens[at - 1].text == ".")

    def conjuncts(self) -> list[tuple[int, int]]:
        """The ranges that AND joins, in their order, each without the parentheses around it."""
        found: list[tuple[int, int]] = []
        waiting = [self.whole()]
        while waiting:
            begin, end = waiting.pop()
            cuts = self._cuts(begin, end)
            if not cuts:
                found.append((begin, end))
                continue
            edges = [begin - 1, *cuts, end]
            waiting.extend(reversed([self.bare(left + 1, right) for left, right in pairwise(edges)]))
        return found

    def _cuts(self, begin: int, end: int) -> list[int]:
        """Where AND stands at the top of a range; nowhere if OR does, which binds less."""
        cuts: list[int] = []
        between = False
        for at in self.top(begin, end):
            if self._says(at, "or"):
                return []
            if self._says(at, "between"):
                between = True
            elif self._says(at, "and"):
                if not between:
                    cuts.append(at)
                between = False
        return cuts


def strip_parentheses(text: str) -> str:
    """The text without the parentheses that enclose all of it."""
    from rowreckon.sql.grammar import NotSql, scan  # it loads the grammar, which most plans need for no condition

    try:
        cutter = Cutter(text, scan(text))
    except NotSql:
        return text.strip()
    return cutter.said(*cutter.whole())


def bare_expression(text: str, alias: str | None = None) -> str:
    """An expression without outer parentheses and its table's alias, so that a plan's and an index's compare equal."""
    from rowreckon.sql.spelling import without_alias

    return strip_parentheses(without_alias(text, alias))
