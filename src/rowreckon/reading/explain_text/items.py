"""Small parts of lines: numbers, quoted names, lists of expressions."""

from __future__ import annotations

import re

IDENTIFIER = r'(?:"(?:[^"]|"")*"|[^\s".()]+)'
_QUOTED = re.compile(r"""'[^']*'|"[^"]*\"""")
_PARTS = re.compile(r"""'(?:[^']|'')*'|"(?:[^"]|"")*"|[(\[{]|[)\]}]|,\ |[^'"()\[\]{},]+|.""", re.S | re.VERBOSE)

_CASE = re.compile(r"\bCASE\b")
_END = re.compile(r"\bEND\b")
_MORE_FOLLOWS = (",", "->", "=", "::", " on", " using", " AND", " OR", " NOT", " IS", " IN", " COLLATE", "Backward")


def number(text: str) -> int | float:
    """An int where the text has no decimals, else a float, as PostgreSQL's JSON would have it."""
    return float(text) if "." in text else int(text)


def unquoted(name: str) -> str:
    """A name without the double quotes that PostgreSQL puts around names that need them."""
    if len(name) > 1 and name[0] == '"' == name[-1]:
        return name[1:-1].replace('""', '"')
    return name


def listed(text: str) -> list[str]:
    """Expressions separated by commas outside quotes, parentheses and brackets."""
    if "," not in text:
        return [text]
    items: list[str] = []
    current: list[str] = []
    depth = 0
    for match in _PARTS.finditer(text):
        part = match.group()
        if part in "([{":
            depth += 1
        elif part in ")]}":
            depth -= 1
        if part == ", " and depth <= 0:
            items.append("".join(current))
            current = []
        else:
            current.append(part)
    items.append("".join(current))
    return items


def is_in_quote(text: str) -> bool:
    """Whether a single quote is open at the end of `text`."""
    return "'" in text and "'" in _QUOTED.sub("", text)


def is_open(text: str) -> bool:
    """Whether `text` has more opening than closing parentheses outside quotes, or ends where more must follow."""
    bare = _QUOTED.sub("q", text) if "'" in text or '"' in text else text
    if bare.count("(") > bare.count(")") or bare.count("[") > bare.count("]"):
        return True
    if len(_CASE.findall(bare)) > len(_END.findall(bare)):
        return True
    return bare.rstrip().endswith(_MORE_FOLLOWS)
