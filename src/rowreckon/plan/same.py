"""When two plans of one query are the same: five notions, each for its purpose, over plans as FORMAT JSON prints them.

- `as_run`: all that the executor follows, planned workers too. Trials ask, and what a change does to a list: one that
  runs otherwise may take another time.
- `in_outline`: node types, aliases, indexes, join types. Right counts ask: conditions and workers follow from these.
- `stand_in/values/shape`: an outline in which a partition counts as its table: another value may lead to another one.
- `stand_in/compare`: what is run and the planner's figures to the digit, told node by node, as proof of a stand-in.
- `archive/shape`: what is run, conditions without literals, since archives fold executions of one statement.
"""

from __future__ import annotations

from typing import Any

from rowreckon.plan.printed import Printed

_NUMBERS_THAT_COUNT = frozenset(("Workers Planned", "Subplans Removed"))
_SAID_ONLY = frozenset(("Output", "Plans"))
"""What EXPLAIN VERBOSE says of a node without its being run otherwise, and the inputs, which are walked."""

AsRun = tuple[tuple[int, tuple[tuple[str, str], ...]], ...]


def as_run(plan: Printed) -> AsRun:
    """All that two plans must share to be run alike: nodes, their places, relations, indexes, conditions, keys.

    `plan` is the root node. Estimates and costs do not count.
    """
    found: list[tuple[int, tuple[tuple[str, str], ...]]] = []
    stack: list[tuple[int, Printed]] = [(0, plan)]
    while stack:
        depth, node = stack.pop()
        kept = sorted((key, str(value)) for key, value in node.items() if key not in _SAID_ONLY and _counts(key, value))
        found.append((depth, tuple(kept)))
        stack.extend((depth + 1, child) for child in reversed(node.get("Plans", ())))
    return tuple(found)


def _counts(key: str, value: Any) -> bool:
    return isinstance(value, bool | str | list) or key in _NUMBERS_THAT_COUNT


def in_outline(plan: Printed) -> tuple[Any, ...]:
    """Nodes with their relations, indexes and join types, in their order."""
    own = (plan["Node Type"], plan.get("Alias"), plan.get("Index Name"), plan.get("Join Type"))
    return (*own, tuple(in_outline(child) for child in plan.get("Plans") or ()))
