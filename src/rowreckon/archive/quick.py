"""The commonest entry read with the least work: a stderr log's entry with its plan in JSON, whole and alone.

Everything else, and whatever is not as expected, goes to `reading.logs`, which gives the same plan or the reason why
there is none.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

from rowreckon.reading.json_reader import refuse
from rowreckon.reading.logs.entries import Entry
from rowreckon.reading.logs.prefix import time_in
from rowreckon.reading.raw import RawPlan

_DURATION = re.compile(r"duration: ([0-9.]+) ms  plan:\Z")
# What is longer is measured before it is taken apart.
_LONGEST = 1 << 20
_DECODE = json.JSONDecoder(parse_constant=refuse).decode


def _standard(text: bytes) -> Any:
    return _DECODE(text.decode())


def _fastest() -> Callable[[bytes], Any]:
    try:
        import orjson
    except ImportError:
        return _standard
    return orjson.loads


_loads = _fastest()


def quick_plan(entry: Entry) -> tuple[RawPlan, bool] | None:
    """The plan, and whether its text has a minus sign somewhere; None where the entry has to be read with care.

    Releases before 13 print a node's workers twice, which only the careful reader joins: a plan that has workers is
    read again by whoever finds them.
    """
    if entry.kind != "stderr" or entry.mixed or entry.cut or len(entry.raw) > _LONGEST:
        return None
    raw = entry.raw
    # A key stands after a quote alone, within a text after a backslash: this is the plan's own.
    plan = raw.find(b'"Plan":', entry.body)
    if plan < 0:
        return None
    try:
        document = _loads(raw[entry.body :])
        head = raw[: entry.body].decode()
    except (ValueError, RecursionError):
        return None
    match = _DURATION.search(head)
    if match is None or type(document) is not dict or type(document.get("Plan")) is not dict:
        return None
    query = document.get("Query Text")
    if type(query) is not str or not query.strip():
        return None
    extra: dict[str, Any] = {"duration_ms": float(match[1])}
    time = time_in(head[: match.start()])
    if time is not None:
        extra["timestamp"] = time
    return RawPlan(document, "json", "", query, (), extra), raw.find(b"-", plan) >= 0
