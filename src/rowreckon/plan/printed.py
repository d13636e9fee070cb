"""A plan as FORMAT JSON prints it, walked as it is: for answers of a server that nobody reads into a tree."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

Printed = Mapping[str, Any]
"""A node under EXPLAIN's own keys, with all beneath it."""


def printed_nodes(plan: Printed) -> Iterator[Printed]:
    """All nodes in pre-order."""
    return (node for node, _ in _walk(plan))


def printed_levels(plan: Printed) -> int:
    """How many nodes stand one above the other, at most."""
    return max(level for _, level in _walk(plan))


def _walk(plan: Printed) -> Iterator[tuple[Printed, int]]:
    """Each node in pre-order with its level, from 1."""
    waiting = [(plan, 1)]
    while waiting:
        node, level = waiting.pop()
        yield node, level
        waiting.extend((below, level + 1) for below in reversed(node.get("Plans") or ()))
