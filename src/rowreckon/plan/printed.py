"""A plan as FORMAT JSON prints it, walked as it is: for answers of a server that nobody reads into a tree."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from rowreckon.plan.names import printed_name

_RELATIONS: Final = 3

Printed = Mapping[str, Any]
"""A node under EXPLAIN's own keys, with all beneath it."""


def printed_nodes(plan: Printed) -> Iterator[Printed]:
    """All nodes in pre-order."""
    return (node for node, _ in _walk(plan))


def printed_levels(plan: Printed) -> int:
    """How many nodes stand one above the other, at most."""
    return max(level for _, level in _walk(plan))


def called(plan: Printed, number: int) -> str:
    """What a reader calls the node of this pre-order number: `the Hash Join of b and g`, by the aliases below it."""
    node = next(node for at, node in enumerate(printed_nodes(plan)) if at == number)
    below = (each.get("Alias") or each.get("Relation Name") for each in printed_nodes(node))
    names = [str(name) for name in dict.fromkeys(below) if name]
    told = names[:_RELATIONS] + ([f"{len(names) - _RELATIONS} more"] if len(names) > _RELATIONS else [])
    of = f" of {', '.join(told[:-1])} and {told[-1]}" if len(told) > 1 else "".join(f" of {name}" for name in told)
    return f"the {printed_name(node)}{of}"


def _walk(plan: Printed) -> Iterator[tuple[Printed, int]]:
    """Each node in pre-order with its level, from 1."""
    waiting = [(plan, 1)]
    while waiting:
        node, level = waiting.pop()
        yield node, level
        waiting.extend((below, level + 1) for below in reversed(node.get("Plans") or ()))
