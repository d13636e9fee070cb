"""Cutting a condition's text in the server's own spelling, so that generated SQL repeats what the server said."""

from __future__ import annotations

import re
from collections.abc import Iterator

_COMPARISON = re.compile(r" (?:=|<>|<=|>=|<|>|~~\*?|!~~\*?|~\*?|!~\*?|@>|<@|&&|IS (?:NOT )?DISTINCT FROM|OPERATOR\0*) ")


def _depth_zero(text: str) -> Iterator[tuple[int, str]]:
    """Positions and characters of `text` outside parentheses, literals and quoted names."""
    depth = 0
    quote = ""
    for at, char in enumerate(text):
        if quote:
            quote = "" if char == quote else quote
        elif char in "'\"":
            quote = char
        elif char in "([":
            depth += 1
        elif char in ")]":
            depth -= 1
        elif depth == 0:
            yield at, char


def strip_parentheses(text: str) -> str:
    """The text without the parentheses that enclose all of it."""
    text = text.strip()
    while text.startswith("(") and _encloses(text):
        text = text[1:-1].strip()
    return text


def _encloses(text: str) -> bool:
    """Whether the first parenthesis closes at the last character."""
    depth = 0
    quote = ""
    for at, char in enumerate(text):
        if quote:
            quote = "" if char == quote else quote
        elif char in "'\"":
            quote = char
        elif char == "(":
            depth += 1
        elif char == ")":
            depth -= 1
            if depth == 0:
                return at == len(text) - 1
    return False


def split_conjuncts(text: str) -> list[str]:
    """The conjuncts of a condition in the server's own spelling."""
    parts: list[str] = []
    stack = [text]
    while stack:
        part = strip_parentheses(stack.pop())
        cuts = [
            at for at, char in _depth_zero(part) if char == "A" and part.startswith("AND ", at) and part[at - 1] == " "
        ]
        if not cuts or any(char == "O" and part.startswith("OR ", at) for at, char in _depth_zero(part)):
            parts.append(part)
            continue
        edges = [-4, *cuts, len(part) + 1]
        stack.extend(part[edges[i] + 4 : edges[i + 1] - 1] for i in reversed(range(len(edges) - 1)))
    return parts


def split_comparison(text: str) -> tuple[str, str, str] | None:
    """Left side, operator and right side of a comparison in the server's own spelling; None where there is none."""
    bare = strip_parentheses(text)
    flat = ["\0"] * len(bare)
    for at, char in _depth_zero(bare):
        flat[at] = char
    match = _COMPARISON.search("".join(flat))
    if match is None:
        return None
    left, right = strip_parentheses(bare[: match.start()]), strip_parentheses(bare[match.end() :])
    return left, bare[match.start() : match.end()].strip(), right


def split_sides(text: str) -> tuple[str, str] | None:
    """Both sides of a comparison, or None where there is no operator at the top."""
    found = split_comparison(text)
    return None if found is None else (found[0], found[2])
