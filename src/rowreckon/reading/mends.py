"""What PostgreSQL prints in a way that no form of its own allows, and how it is mended in all of them."""

from __future__ import annotations

from typing import Any

WORKERS_NOTE = "the two lists of Workers in one node were joined by worker number"
TARGETS_NOTE = (
    "counts inside Target Tables were mended: PostgreSQL prints them as keys within the list,"
    " they now stand in the node itself"
)


def joined_workers(first: list[Any], second: list[Any]) -> list[Any]:
    """One list from the two that releases before 13 print for a node, joined by worker number."""
    joined: list[Any] = [dict(each) if isinstance(each, dict) else each for each in first]
    by_number = {each.get("Worker Number"): each for each in joined if isinstance(each, dict)}
    for each in second:
        if isinstance(each, dict) and each.get("Worker Number") in by_number:
            for key, value in each.items():
                by_number[each["Worker Number"]].setdefault(key, value)
        else:
            joined.append(each)
    return joined


def put(fields: dict[str, Any], name: str, value: Any) -> bool:
    """Add a key; where it is there already, join lists of workers. False if the two can't both stand."""
    if name not in fields:
        fields[name] = value
    elif name == "Workers" and isinstance(value, list) and isinstance(fields[name], list):
        fields[name] = joined_workers(fields[name], value)
    else:
        return bool(fields[name] == value)
    return True
