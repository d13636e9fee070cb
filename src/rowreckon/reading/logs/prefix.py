"""Facts in the prefix of a stderr log line, whatever log_line_prefix the server was given.

The prefix has no fixed form, so only what is unmistakable is taken: a date and time, a number in brackets (the
process), and names with an equals sign or an at sign (the escapes and their meaning: PostgreSQL manual, "Error
Reporting and Logging").
"""

from __future__ import annotations

import re
from typing import Any

_TIME = re.compile(r"\d{4}-\d\d-\d\d[ T]\d\d:\d\d:\d\d(?:[.,]\d+)?(?:Z| ?[A-Z]{2,5}\b| ?[+-]\d\d(?::?\d\d)?)?")
_EPOCH = re.compile(r"\b(\d{10}\.\d{3})\b")
_PID = re.compile(r"\[(\d+)\]|\bpid[=:] ?(\d+)", re.I)
_NAMED = re.compile(
    r"\b(user|usr|u|db|database|dbname|d|app|application|a|client|host|h|session|qid|queryid|query_id)=([^,\]]*?)(?=,|\]|\s+\w+=|\s+\[|\s*$)"
)
_AT = re.compile(r"(?<![\w.])([\w.$-]+)@([\w.$-]+)")
_NAMES = {
    "user": "user",
    "usr": "user",
    "u": "user",
    "db": "database",
    "database": "database",
    "dbname": "database",
    "d": "database",
    "app": "application",
    "application": "application",
    "a": "application",
    "client": "client",
    "host": "client",
    "h": "client",
    "session": "session_id",
    "qid": "query_id",
    "queryid": "query_id",
    "query_id": "query_id",
}
_MAX_PREFIX = 1000


def time_in(prefix: str) -> str | None:
    """The date and time in a prefix, as written."""
    found = _TIME.search(prefix, 0, _MAX_PREFIX) or _EPOCH.search(prefix, 0, _MAX_PREFIX)
    return None if found is None else found.group()


def prefix_facts(prefix: str) -> dict[str, Any]:
    """What the prefix says for certain: timestamp, pid, user, database, application, client, session_id, query_id."""
    prefix = prefix[:_MAX_PREFIX].rstrip()
    # What stands last is the severity ("LOG:", in the server's language).
    prefix = prefix.rpartition(" ")[0] if prefix.endswith(":") else prefix
    facts: dict[str, Any] = {}
    if (time := time_in(prefix)) is not None:
        facts["timestamp"] = time
    if (pid := _PID.search(prefix)) is not None:
        facts["pid"] = int(pid[1] or pid[2])
    for name, value in _NAMED.findall(prefix):
        if value:
            facts.setdefault(_NAMES[name], value)
    if "query_id" in facts:
        digits = str(facts.pop("query_id"))
        if re.fullmatch(r"-?\d{1,20}", digits):
            facts["query_id"] = int(digits)
    if "user" not in facts and (at := _AT.search(prefix)) is not None:
        facts["user"], facts["database"] = at[1], at[2]
    return facts
