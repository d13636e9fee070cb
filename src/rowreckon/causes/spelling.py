"""Expressions in the server's own spelling, with the alias taken off, so that they can stand in a statement on the
table itself."""

from __future__ import annotations

import re

_TOKEN = re.compile(
    r"""(?P<string>(?:\b[EeBbXx])?'(?:[^']|'')*')|(?P<name>"(?:[^"]|"")+"|[^\W\d][\w$]*)|(?P<rest>.)""", re.S
)


def without_alias(text: str, alias: str | None) -> str:
    """The expression with `alias.` taken off its columns; a function's schema of the same name stays."""
    if alias is None:
        return text
    tokens = [(m.lastgroup or "rest", m.group()) for m in _TOKEN.finditer(text)]
    out: list[str] = []
    at = 0
    while at < len(tokens):
        kind, value = tokens[at]
        qualifies = (
            kind == "name"
            and _raw(value) == alias
            and at + 2 < len(tokens)
            and tokens[at + 1][1] == "."
            and tokens[at + 2][0] == "name"
            and not (at > 0 and tokens[at - 1][1] == ".")
            and not (at + 3 < len(tokens) and tokens[at + 3][1] == "(")
        )
        if qualifies:
            at += 2
            continue
        out.append(value)
        at += 1
    return "".join(out)


def _raw(name: str) -> str:
    return name[1:-1].replace('""', '"') if name.startswith('"') else name


def names_of(text: str) -> frozenset[str]:
    """All identifiers of an expression, unquoted."""
    return frozenset(_raw(m.group()) for m in _TOKEN.finditer(text) if m.lastgroup == "name")
