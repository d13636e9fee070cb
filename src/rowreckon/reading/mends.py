"""What PostgreSQL prints in a way that no form of its own allows, and how it is mended in all of them."""

from __future__ import annotations

from typing import Any

WORKERS_NOTE = "the two lists of Workers in one node were joined by worker number"
TARGETS_NOTE = (
    "counts inside Target Tables were mended: PostgreSQL prints them as keys within the list,"
    " they now stand in the node itself"
)


# A server has at most 1024 parallel workers, and prints two lists of them.
MAX_WORKERS = 2048


def joined_workers(first: list[Any], second: list[Any]) -> list[Any]:
    """One list from the two that releases before 13 print for a node, joined by worker number."""
    joined: list[Any] = [dict(each) if isinstance(each, dict) else each for each in first]
    by_number = {_number(each): each for each in joined if _number(each) is not None}
    for each in second:
        same = by_number.get(_number(each))
        if same is None:
            joined.append(each)
            continue
        for key, value in each.items():
            same.setdefault(key, value)
    return joined


def can_be_joined(name: str, first: Any, second: Any) -> bool:
    """Whether two values under one key are the two lists of workers that releases before 13 print."""
    return (
        name == "Workers"
        and isinstance(first, list)
        and isinstance(second, list)
        and len(first) + len(second) <= MAX_WORKERS
    )


def _number(worker: Any) -> int | None:
    number = worker.get("Worker Number") if isinstance(worker, dict) else None
    return number if isinstance(number, int) else None


def put(fields: dict[str, Any], name: str, value: Any) -> bool:
    """Add a key; where it is there already, join lists of workers. False if the two can't both stand."""
    if name not in fields:
        fields[name] = value
    elif can_be_joined(name, fields[name], value):
        fields[name] = joined_workers(fields[name], value)
    else:
        return bool(fields[name] == value)
    return True
