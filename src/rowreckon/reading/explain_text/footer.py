"""What stands below the tree: times, planning, triggers, compilation, settings."""

from __future__ import annotations

import re
from typing import Any

from rowreckon.reading.explain_text.items import check_count, number

_TIME = re.compile(r"(Planning|Execution) [Tt]ime: ([0-9]+(?:\.[0-9]+)?)\s*ms$")
_TOTAL = re.compile(r"Total [Rr]untime: ([0-9]+(?:\.[0-9]+)?)\s*ms$")
_TRIGGER = re.compile(
    r"Trigger ?(?P<name>.*?)(?: ?for constraint (?P<constraint>.*?))?(?: on (?P<relation>[^:]*?))?:"
    r" (?:time=(?P<time>[0-9]+(?:\.[0-9]+)?) )?calls=(?P<calls>\d+)$"
)
_SETTING = re.compile(r"([^\s=]{1,200}) = '((?:[^']++|'')*+)'(?:, |$)")
_SERIALIZATION = re.compile(r"Serialization:(?: time=([0-9]+(?:\.[0-9]+)?) ms)? +output=(\d+)kB +format=(\w+)$")
_MEMORY = re.compile(r"Memory: used=(\d+)kB +allocated=(\d+)kB$")
_FUNCTIONS = re.compile(r"Functions: (\d+)$")
_OPTION = re.compile(r"(\w{1,40}) (true|false)")
_DURATION = re.compile(r"(\w{1,40}) ([0-9]+(?:\.[0-9]+)?) ms(?: \(Deform ([0-9]+(?:\.[0-9]+)?) ms\))?")
# Three names of at most 63 bytes and what stands between them fit in many times over.
_MAX_TRIGGER = 2000
BLOCKS = ("Planning:", "JIT:")
"""Lines that open a group of their own."""

BEGINNINGS = (
    "Planning Time:",
    "Planning time:",
    "Execution Time:",
    "Execution time:",
    "Total runtime:",
    "Trigger ",
    "Settings:",
    "Query Identifier:",
    "Serialization:",
    *BLOCKS,
)


def is_footer(text: str) -> bool:
    """Whether the line can only stand below the tree (JIT may also stand below a worker)."""
    return text.startswith(BEGINNINGS)


def put_footer(document: dict[str, Any], text: str) -> bool:
    """Add one line's keys to the document; False if it is not understood. Groups are opened by the caller."""
    if (match := _TIME.match(text)) is not None:
        document[f"{match[1]} Time"] = number(match[2])
    elif (match := _TOTAL.match(text)) is not None:
        document["Execution Time"] = number(match[1])
    elif text.startswith("Trigger ") and len(text) < _MAX_TRIGGER and (match := _TRIGGER.match(text)) is not None:
        document.setdefault("Triggers", []).append(_trigger(match))
    elif text.startswith("Settings:"):
        document["Settings"] = settings = {}
        for match in _SETTING.finditer(text.removeprefix("Settings:").lstrip()):
            settings[match[1]] = match[2].replace("''", "'")
            check_count(len(settings), "settings")
    elif text.startswith("Query Identifier:"):
        digits = text.partition(":")[2].strip()
        if re.fullmatch(r"-?\d{1,20}", digits) is None:
            return False
        document["Query Identifier"] = int(digits)
    elif (match := _SERIALIZATION.match(text)) is not None:
        serialization: dict[str, Any] = {}
        document["Serialization"] = serialization
        if match[1]:
            serialization["Time"] = number(match[1])
        serialization["Output Volume"] = int(match[2])
        serialization["Format"] = match[3]
    else:
        return False
    return True


def _trigger(match: re.Match[str]) -> dict[str, Any]:
    trigger: dict[str, Any] = {}
    if match["name"]:
        trigger["Trigger Name"] = match["name"]
    if match["constraint"]:
        trigger["Constraint Name"] = match["constraint"]
    if match["relation"]:
        trigger["Relation"] = match["relation"]
    if match["time"]:
        trigger["Time"] = number(match["time"])
    trigger["Calls"] = int(match["calls"])
    return trigger


def put_memory(planning: dict[str, Any], text: str) -> bool:
    """`Memory: used=9kB  allocated=16kB`, below Planning."""
    match = _MEMORY.match(text)
    if match is None:
        return False
    planning["Memory Used"], planning["Memory Allocated"] = int(match[1]), int(match[2])
    return True


def put_jit(jit: dict[str, Any], text: str) -> bool:
    """A line below JIT: functions, options, times in ms (from 17 with the part that tuple deforming took)."""
    if (match := _FUNCTIONS.match(text)) is not None:
        jit["Functions"] = int(match[1])
    elif text.startswith("Options:"):
        jit["Options"] = {name: value == "true" for name, value in _OPTION.findall(text)}
    elif text.startswith("Timing:"):
        jit["Timing"] = timing = {}
        for name, time, deform in _DURATION.findall(text):
            timing[name] = {"Deform": number(deform), "Total": number(time)} if deform else number(time)
    else:
        return False
    return True
