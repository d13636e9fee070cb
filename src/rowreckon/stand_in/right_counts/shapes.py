"""Two plans of one query beside each other: other methods, or another order of joins."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from rowreckon.frozen import frozen
from rowreckon.plan.printed import Printed, printed_nodes

from .executed import plain_alias
from .part_queries import Order

METHODS: Final = {"Nested Loop": "enable_nestloop", "Hash Join": "enable_hashjoin", "Merge Join": "enable_mergejoin"}


@frozen
class JoinOf:
    """A join of a plan: its node's place in pre-order, its method, and the relations that it joins."""

    node: int
    method: str
    aliases: frozenset[str]
    first: str | None


def inputs(plan: Printed) -> list[Printed]:
    """The nodes that a node takes its rows from; subplans of conditions are none."""
    return [child for child in plan.get("Plans") or () if child.get("Subplan Name") is None]


def below(plan: Printed, known: frozenset[str]) -> frozenset[str]:
    """The aliases that a node is made of; subplans of conditions are no part of it."""
    inner = inputs(plan)
    found = frozenset[str]().union(*(below(child, known) for child in inner))
    own = plan.get("Alias")
    return found | {plain_alias(own, known)} if own is not None and (own in known or not found) else found


def joins_of(plan: Printed, known: frozenset[str]) -> list[JoinOf]:
    """The joins of a plan, from the top; `first` is the relation that its rows start from."""
    return [
        JoinOf(number, node["Node Type"], below(node, known), starts_from(node, known))
        for number, node in enumerate(printed_nodes(plan))
        if node["Node Type"] in METHODS
    ]


def starts_from(plan: Printed, known: frozenset[str]) -> str | None:
    """The relation at the end of the outer sides: where the plan's rows start."""
    node = plan
    while True:
        inner = inputs(node)
        if not inner:
            alias = node.get("Alias")
            return None if alias is None else plain_alias(alias, known)
        node = inner[0]


def order_of(plan: Printed, known: frozenset[str]) -> frozenset[frozenset[str]]:
    """The order of joins: which sets of relations a plan puts together."""
    return frozenset(join.aliases for join in joins_of(plan, known))


def methods_of(plan: Printed, known: frozenset[str]) -> dict[frozenset[str], str]:
    """The method by which each set of relations is put together."""
    return {join.aliases: join.method for join in joins_of(plan, known)}


def nesting(plan: Printed, items: Mapping[frozenset[str], str], known: frozenset[str]) -> Order | None:
    """The order of joins as pairs of the FROM clause's items; None where a join is not of whole items.

    `items` are the items' aliases by the relations that a plan shows for them.
    """
    here = below(plan, known)
    if here in items:
        return items[here]
    inner = inputs(plan)
    if len(inner) == 1:
        return nesting(inner[0], items, known)
    if len(inner) != 2 or plan["Node Type"] not in METHODS:
        return None
    left, right = (nesting(child, items, known) for child in inner)
    return None if left is None or right is None else (left, right)


def own_cost(plan: Printed) -> float:
    """What a node costs by itself, over one execution of it: its total without what its inputs cost.

    An inner side that a nested loop runs again counts as the loop's own, since it grows with the loop's outer rows.
    """
    below_it = inputs(plan)[:1] if plan["Node Type"] == "Nested Loop" else inputs(plan)
    return max(float(plan["Total Cost"]) - sum(float(child["Total Cost"]) for child in below_it), 0.0)
