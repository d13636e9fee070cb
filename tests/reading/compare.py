"""Where two readings of one plan differ, leaving out what a second run of the same statement changes."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

# Times, memory and block counts differ from run to run; so does what each worker got hold of.
_VARIES = re.compile(
    r"Time$|Blocks$|^WAL |Memory|^Peak|^Average|^Output Volume$|^Maximum Storage$|^(Deform|Generation|Inlining|Total"
    r"|Optimization|Emission)$|^Trigger Name$"
)
_VARIES_IN_PARALLEL = re.compile(
    r"^Actual (Rows|Loops)$|^Rows Removed|^Sort Space|^Cache |^Group Count$|Heap Blocks$|Hash (Batches|Buckets)$"
    r"|^Worker Number$|^HashAgg Batches$|^Disk Usage$"
)
# What a worker that got no rows in one of the runs does not have.
_OF_A_WORKER = ("Workers", "Exact Heap Blocks", "Lossy Heap Blocks")


@dataclass(frozen=True)
class Difference:
    """`kind` is lacks (only the first has the key), adds (only the second), value, type or length."""

    kind: str
    key: str
    node_type: str
    first: Any = None
    second: Any = None


def differences(first: Any, second: Any, *, executed: bool) -> list[Difference]:
    """Where `second` differs from `first`; `executed` leaves values out that vary between two executions."""
    return list(_walk(first, second, "", "", executed, executed and _is_parallel(first)))


def _is_parallel(value: Any) -> bool:
    return "'Workers Planned'" in repr(value)


def _walk(first: Any, second: Any, key: str, node: str, executed: bool, parallel: bool) -> Iterator[Difference]:
    if isinstance(first, dict) and isinstance(second, dict):
        node = first.get("Node Type", node if key != "Triggers" else "Trigger")
        for each in [*first, *(name for name in second if name not in first)]:
            if (each in first) != (each in second) and parallel and each in _OF_A_WORKER:
                continue
            if each not in second:
                yield Difference("lacks", each, node, first[each])
            elif each not in first:
                yield Difference("adds", each, node, None, second[each])
            else:
                yield from _walk(first[each], second[each], each, node, executed, parallel)
    elif isinstance(first, list) and isinstance(second, list):
        if len(first) != len(second):
            if not (parallel and key == "Workers"):
                yield Difference("length", key, node, first, second)
            return
        for one, other in zip(first, second, strict=True):
            yield from _walk(one, other, key, node, executed, parallel)
    elif type(first) is not type(second):
        yield Difference("type", key, node, first, second)
    elif first != second:
        # A bitmap index scan counts dead entries too, which a run before may have left.
        dead = executed and node == "Bitmap Index Scan" and key == "Actual Rows"
        varies = dead or (executed and (_VARIES.search(key) or (parallel and _VARIES_IN_PARALLEL.search(key))))
        if not varies and key != "Planning Time":
            yield Difference("value", key, node, first, second)
