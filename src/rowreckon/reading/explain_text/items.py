"""Small parts of lines: numbers, quoted names, lists of expressions."""

from __future__ import annotations

import re

from rowreckon.errors import InputTooLarge

# Possessive throughout: a repetition that could be taken back keeps a note of each step, 90 bytes for a sign.
IDENTIFIER = r'(?:"(?:[^"]++|"")*+"|[^\s".()]+)'
_PARTS = re.compile(r"""'(?:[^']++|'')*+'|"(?:[^"]++|"")*+"|[(\[{]|[)\]}]|,\ |[^'"()\[\]{},]+|.""", re.S | re.VERBOSE)

_MARKS = re.compile(r"['\"()\[\]]|\b(?:CASE|END)\b")
_MORE_FOLLOWS = (",", "->", "=", "::", " on", " using", " AND", " OR", " NOT", " IS", " IN", " COLLATE", "Backward")


_MOST_ON_A_LINE = 10_000
"""PostgreSQL's own limit is 1,664 entries (MaxTupleAttributeNumber); settings are some hundreds."""


def number(text: str) -> int | float:
    """An int where the text has no decimals, else a float, as PostgreSQL's JSON would have it."""
    return float(text) if "." in text else int(text)


def unquoted(name: str) -> str:
    """A name without the double quotes that PostgreSQL puts around names that need them."""
    if len(name) > 1 and name[0] == '"' == name[-1]:
        return name[1:-1].replace('""', '"')
    return name


def listed(text: str) -> list[str]:
    """Expressions separated by commas outside quotes, parentheses and brackets. Raises InputTooLarge."""
    if "," not in text:
        return [text]
    items: list[str] = []
    start = depth = 0
    for match in _PARTS.finditer(text):
        part = match.group()
        if part in "([{":
            depth += 1
        elif part in ")]}":
            depth -= 1
        elif part == ", " and depth <= 0:
            items.append(text[start : match.start()])
            start = match.end()
            check_count(len(items), "entries in one list")
    items.append(text[start:])
    return items


def check_count(count: int, what: str) -> None:
    """Raise InputTooLarge where one line holds more of them than any line of a server."""
    if count > _MOST_ON_A_LINE:
        raise InputTooLarge(f"the plan has more than {_MOST_ON_A_LINE:,} {what}", hint="check where this plan is from")


class Openness:
    """What is open at the end of a text that grows piece by piece: quotes, brackets, CASE without END."""

    __slots__ = ("depth", "quote", "tail")

    def __init__(self, text: str = "") -> None:
        self.depth = 0
        self.quote = ""
        self.tail = ""
        self.feed(text)

    def feed(self, text: str) -> None:
        """Go on with `text`, which stands behind all before it."""
        for match in _MARKS.finditer(text):
            mark = match.group()
            if self.quote:
                # A doubled quote closes and opens again, which comes to the same.
                if mark == self.quote:
                    self.quote = ""
            elif mark in "'\"":
                self.quote = mark
            elif mark in ("(", "[", "CASE"):
                self.depth += 1
            else:
                self.depth -= 1
        self.tail = text.rstrip()[-20:]

    @property
    def in_constant(self) -> bool:
        """Whether a single quote is open."""
        return self.quote == "'"

    @property
    def wants_more(self) -> bool:
        """Whether the text can't end here."""
        return self.quote == "" and (self.depth > 0 or self.tail.endswith(_MORE_FOLLOWS))
