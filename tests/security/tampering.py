"""Captures and answers in which every text is replaced in turn: what a file says is never pasted into a statement."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from typing import Any

TEXTS: tuple[str, ...] = (
    "int) rows 1; select snare.spring('tampered'); --",
    "x; select snare.spring('tampered'); --",
    "x\"; select snare.spring('tampered'); --",
    "x'); select snare.spring('tampered'); --",
    "snare.spring('tampered')",
    "(snare.liar(1) > 0)",
    "E'a'\n'\\' = ' ; select snare.spring('tampered') -- '",
    "x) from public.huts; drop table public.notes; commit; select snare.spring('tampered'); --",
    "(select snare.spring('tampered'))",
    "'1'::snare.checked",
    "$$; select snare.spring('tampered'); $$",
    "x\n\\! touch <YARD>/psql\n",
    "1 operator(snare.=!) 2",
    "x, lateral snare.spring_rows('tampered')",
)
"""Statements that break out, and expressions that call; each where a name, a type or an expression is expected."""

Way = tuple[str | int, ...]


def ways(document: Any, way: Way = ()) -> Iterator[Way]:
    """The way to every text in a document, and to every key of a mapping of free names."""
    if isinstance(document, dict):
        for key, value in document.items():
            yield from ways(value, (*way, key))
    elif isinstance(document, list):
        for number, value in enumerate(document):
            yield from ways(value, (*way, number))
    elif isinstance(document, str):
        yield way


def kinds(document: Any, kept: frozenset[Way]) -> list[Way]:
    """One way for each kind of text: ways that differ in their numbers alone are one kind, but for the first three."""
    seen: dict[Way, int] = {}
    found: list[Way] = []
    for way in ways(document):
        kind = tuple(part for part in way if isinstance(part, str))
        seen[kind] = seen.get(kind, 0) + 1
        if seen[kind] <= (3 if len(kind) < 6 else 1) and kind not in kept:
            found.append(way)
    return found


def tampered(document: Any, way: Way, text: str) -> Any:
    """A copy in which this text stands at the end of the way."""
    changed = copy.deepcopy(document)
    node = changed
    for part in way[:-1]:
        node = node[part]
    node[way[-1]] = text
    return changed
