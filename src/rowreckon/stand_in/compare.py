"""Whether two plans of one query are the same, node by node: what they do, and every figure that the planner prints.

In come two documents in FORMAT JSON's shape; out come the differences, in the words of EXPLAIN's own keys.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from rowreckon.frozen import frozen

SHAPE: Final = ("Node Type", "Schema", "Relation Name", "Alias", "Index Name", "Join Type", "Strategy", "Partial Mode")
SHAPE_WORDS: Final = (
    "Parallel Aware",
    "Scan Direction",
    "Inner Unique",
    "Workers Planned",
    "Function Name",
    "CTE Name",
)
_MAY_LACK: Final = frozenset({"Schema", "Alias", *SHAPE_WORDS})
"""What only VERBOSE prints, or only FORMAT JSON."""
FIGURES: Final = ("Startup Cost", "Total Cost", "Plan Rows", "Plan Width")


@frozen
class PlanDifference:
    """At one node (its place in pre-order, from 0) the value of a key at the source and on the stand-in."""

    node: int
    key: str
    source: str
    stand_in: str


def plan_differences(source: Mapping[str, Any], stand_in: Mapping[str, Any]) -> tuple[PlanDifference, ...]:
    """What differs between two nodes and all beneath them; nothing below a node whose shape differs already.

    A key that only one side prints counts, unless another form of EXPLAIN or another option leaves it out.
    """
    found: list[PlanDifference] = []
    waiting: list[tuple[Mapping[str, Any], Mapping[str, Any]]] = [(source, stand_in)]
    number = -1
    while waiting:
        left, right = waiting.pop()
        number += 1
        shapes = [*_differing(number, left, right, SHAPE), *_differing(number, left, right, SHAPE_WORDS)]
        found += shapes
        if any(each.key == "Node Type" for each in shapes):
            continue
        found += _differing(number, left, right, FIGURES)
        below, theirs = left.get("Plans") or [], right.get("Plans") or []
        if len(below) != len(theirs):
            found.append(PlanDifference(number, "Plans", str(len(below)), str(len(theirs))))
            continue
        waiting += reversed(list(zip(below, theirs, strict=True)))
    return tuple(found)


def _differing(
    number: int, left: Mapping[str, Any], right: Mapping[str, Any], keys: tuple[str, ...]
) -> list[PlanDifference]:
    return [
        PlanDifference(number, key, str(left.get(key)), str(right.get(key)))
        for key in keys
        if left.get(key) != right.get(key) and not (key in _MAY_LACK and None in (left.get(key), right.get(key)))
    ]
