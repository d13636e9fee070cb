"""The statement that stands before a plan: psql's prompt and echo, or simply the EXPLAIN that somebody pasted too."""

from __future__ import annotations

import re

_PROMPT = re.compile(r"^[^\s=#>]{0,64}[=\-('\"*^!$][#>] ?")
_EXPLAIN = re.compile(r"explain\b", re.I)
_OPTIONS = re.compile(
    r"explain\s*+(?:\((?:[^()]++|\([^()]*+\))*+\)|(?:\s*+(?:analy[sz]e|verbose)\b)*+)\s*+", re.I | re.S
)
_MAX_LINES = 400


def query_before(lines: list[str]) -> str | None:
    """The statement of the last EXPLAIN in `lines`, without the EXPLAIN and its options; None if there is none."""
    bare = [_PROMPT.sub("", line) for line in lines[-_MAX_LINES:]]
    for index in range(len(bare) - 1, -1, -1):
        line = bare[index].lstrip()
        if _EXPLAIN.match(line) is None:
            continue
        statement = "\n".join([line, *bare[index + 1 :]])
        match = _OPTIONS.match(statement)
        query = _to_semicolon(statement[match.end() :]) if match is not None else ""
        return query or None
    return None


def _to_semicolon(statement: str) -> str:
    """The statement up to the semicolon outside quotes, or to the first blank line or table header."""
    quote = ""
    for index, char in enumerate(statement):
        if quote:
            if char == quote:
                quote = ""
        elif char in "'\"":
            quote = char
        elif char == ";":
            return statement[:index].strip()
    head = re.split(r"\n\s*\n|\n\s*QUERY PLAN\s*(?:\n|$)|\n```", statement, maxsplit=1)[0]
    return head.strip().removesuffix("QUERY PLAN").strip()
