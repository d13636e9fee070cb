"""From an entry's bytes to its facts and the text of its plan, for each kind of log."""

from __future__ import annotations

import json
import re
from typing import Any

from rowreckon.reading.limits import Limits
from rowreckon.reading.logs.entries import Entry
from rowreckon.reading.logs.prefix import prefix_facts
from rowreckon.reading.sizes import check_values

_DURATION = re.compile(r"duration: ([0-9]+(?:\.[0-9]+)?) ms  plan:\r?\n?")
_FIELD = re.compile(r'"((?:[^"]++|"")*+)"|([^",\n]*+)')
# Lines that other processes wrote into the middle of a plan.
_FOREIGN = re.compile(r"\n(?!\t|\Z)[^\n]*(?=\n|\Z)")

# Columns of csvlog, in order (PostgreSQL manual, "Using CSV-Format Log Output"); the last two from release 14 on.
_COLUMNS = {
    0: "timestamp",
    1: "user",
    2: "database",
    3: "pid",
    4: "client",
    5: "session_id",
    18: "context",
    19: "statement",
    22: "application",
    25: "query_id",
}
_MESSAGE = 13

# Keys of jsonlog (PostgreSQL manual, "Using JSON-Format Log Output").
_KEYS = {
    "timestamp": "timestamp",
    "user": "user",
    "dbname": "database",
    "pid": "pid",
    "remote_host": "client",
    "session_id": "session_id",
    "context": "context",
    "statement": "statement",
    "application_name": "application",
    "query_id": "query_id",
}


class BrokenEntry(Exception):
    """The entry can't be taken apart: why, in one clause."""


def facts_and_body(entry: Entry, limits: Limits) -> tuple[dict[str, Any], str, bool]:
    """What the entry says beside the plan, the plan's text, and whether bytes that are no UTF-8 were replaced.

    Raises BrokenEntry, and InputTooLarge where a JSON log's line has more values than the limits allow.
    """
    if entry.kind in ("stderr", "loose"):
        facts, body, replaced = _stderr(entry)
        return facts, body, replaced
    text, replaced = _decoded(entry.raw)
    if entry.kind == "json":
        check_values(text, limits)
    facts, message = _json(text) if entry.kind == "json" else _csv(text)
    match = _DURATION.match(message)
    if match is None:
        raise BrokenEntry("the entry has no duration")
    facts["duration_ms"] = float(match[1])
    return facts, message[match.end() :], replaced


def _decoded(raw: bytes) -> tuple[str, bool]:
    try:
        return raw.decode(), False
    except UnicodeDecodeError:
        # One log holds the messages of databases in several encodings.
        return raw.decode("utf-8", "replace"), True


def _stderr(entry: Entry) -> tuple[dict[str, Any], str, bool]:
    head, _ = _decoded(entry.raw[: entry.body])
    match = _DURATION.search(head)
    if match is None:
        raise BrokenEntry("the entry has no duration")
    facts = prefix_facts(head[: match.start()])
    facts["duration_ms"] = float(match[1])
    body, replaced = _decoded(entry.raw[entry.body :])
    if "\r" in body:
        body = body.replace("\r\n", "\n")
    if entry.mixed:
        body = _FOREIGN.sub("", body)
    if entry.kind == "stderr":
        body = body.replace("\n\t", "\n")
    return facts, body.removeprefix("\n"), replaced


def _csv(text: str) -> tuple[dict[str, Any], str]:
    fields: list[str] = []
    position = 0
    while position <= len(text) and len(fields) < 30:
        match = _FIELD.match(text, position)
        if match is None:
            break
        fields.append(match[1].replace('""', '"') if match[1] is not None else match[2])
        position = match.end() + 1
        if text[match.end() : match.end() + 1] != ",":
            break
    if len(fields) <= _MESSAGE:
        raise BrokenEntry("the CSV record is cut off within the message")
    facts = {name: fields[column] for column, name in _COLUMNS.items() if column < len(fields) and fields[column]}
    return _numbers(facts), fields[_MESSAGE]


def _json(text: str) -> tuple[dict[str, Any], str]:
    try:
        record = json.loads(text)
    except (ValueError, RecursionError):
        raise BrokenEntry("the line is no JSON object; it may be cut off") from None
    message = record.get("message") if isinstance(record, dict) else None
    if not isinstance(message, str):
        raise BrokenEntry("the line has no message")
    return _numbers({name: record[key] for key, name in _KEYS.items() if record.get(key) not in (None, "")}), message


def _numbers(facts: dict[str, Any]) -> dict[str, Any]:
    for name in ("pid", "query_id"):
        value = facts.get(name)
        if isinstance(value, str):
            if re.fullmatch(r"-?\d{1,20}", value):
                facts[name] = int(value)
            else:
                del facts[name]
    if facts.get("query_id") == 0:
        del facts["query_id"]
    return facts
