"""Recognise plans in parsed JSON, however a driver, a tool or a person has wrapped them.

EXPLAIN's own array, the bare object, a bare plan node, rows of a driver (`[[…]]`, `[{"QUERY PLAN": …}]`,
tuples), a result object with the rows somewhere inside, JSON within a string, and rows that are lines of TEXT format.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

from rowreckon.reading.raw import RawPlan, Rejected

_KINDS = {dict: "an object", list: "a list", str: "text", bool: "true or false", type(None): "null"}
Found = RawPlan | Rejected
ReadText = Callable[[str, str], list[Found]]

# Wrappings around a plan are shallow; what lies deeper is no result of a driver.
_MAX_WRAPPINGS = 10
_QUERY_KEYS = ("Query Text", "query", "sql", "statement", "query_text")
_PLAN_SIGNS = ('"Plan"', '"Node Type"', "(cost=", "(actual ", "<Plan>", "Node Type:", "->  ", "\\u0022Plan")


def documents_in(value: Any, where: str, read_text: ReadText, *, depth: int = 0) -> Iterator[Found]:
    """The plans in `value`, in order; `read_text(text, where)` reads strings that hold a plan themselves."""
    if isinstance(value, dict):
        yield from _in_object(value, where, read_text, depth)
    elif isinstance(value, (list, tuple)):
        lines = _text_rows(value)
        if lines is not None:
            yield from _in_text("\n".join(lines), where, read_text)
        elif depth < _MAX_WRAPPINGS:
            several = len(value) > 1
            for number, each in enumerate(value, 1):
                place = f"{where}, item {number}" if several else where
                yield from documents_in(each, place, read_text, depth=depth + 1)
    elif isinstance(value, str):
        yield from _in_text(value, where, read_text)


def _in_object(value: dict[Any, Any], where: str, read_text: ReadText, depth: int) -> Iterator[Found]:
    schema = value.get("schema")
    if isinstance(schema, str) and schema.startswith("rowreckon."):
        yield RawPlan(value, "capture", where, query=_text(value.get("query")))
    elif "Plan" in value:
        yield _document(value, where)
    elif "Node Type" in value:
        note = "a bare plan node: what EXPLAIN prints around it (settings, times, triggers) is lacking"
        yield RawPlan({"Plan": value}, "json", where, notes=(note,))
    elif depth < _MAX_WRAPPINGS:
        query = next((value[key] for key in _QUERY_KEYS if isinstance(value.get(key), str)), None)
        for each in value.values():
            if isinstance(each, str) and each is query:
                continue
            for found in documents_in(each, where, read_text, depth=depth + 1):
                if isinstance(found, RawPlan) and found.query is None and query:
                    found = replace(found, query=query)
                yield found


def _document(value: dict[Any, Any], where: str) -> Found:
    plan = value["Plan"]
    if not isinstance(plan, dict):
        kind = _KINDS.get(type(plan), "a number")
        return Rejected(f"Plan is {kind} where an object is expected", where)
    return RawPlan(value, "json", where, query=_text(value.get("Query Text")))


def _text_rows(value: list[Any] | tuple[Any, ...]) -> list[str] | None:
    """The lines, where each item is a line of TEXT format or a row with nothing but one; else None."""
    if len(value) == 0:
        return None
    lines: list[str] = []
    for each in value:
        if isinstance(each, dict) and len(each) == 1:
            each = next(iter(each.values()))
        elif isinstance(each, (list, tuple)) and len(each) == 1:
            each = each[0]
        if not isinstance(each, str):
            return None
        lines.append(each)
    # One string may be a whole JSON document, and several too: those are read one by one.
    return None if lines[0].lstrip()[:1] in ("[", "{") and len(lines) > 1 and _whole(lines) else lines


def _whole(lines: list[str]) -> bool:
    return all(line.strip()[-1:] in ("]", "}") and '"Plan"' in line for line in lines)


def _in_text(text: str, where: str, read_text: ReadText) -> Iterator[Found]:
    if any(sign in text for sign in _PLAN_SIGNS):
        yield from read_text(text, where)


def _text(value: Any) -> str | None:
    return value if isinstance(value, str) and value.strip() else None
