"""What an executed plan costs at right counts, put together from the planner's own prices for its joins.

No setting makes the planner join one pair by one method and another pair by another. But what a join costs by itself
hangs on its sides' rows, not on how these came about: so each join's price is taken from a plan that has that join by
that method, and the prices are added.
"""

from __future__ import annotations

from collections.abc import Iterable

from rowreckon.plan.printed import Printed, printed_nodes

from .shapes import METHODS, below, inputs

_Key = tuple[str, frozenset[str], frozenset[str]]
"""A join: its method, and the relations of its outer and its inner side."""


def assembled_price(executed: Printed, pool: Iterable[Printed], known: frozenset[str]) -> float | None:
    """The sum of the cheapest prices that the plans of the pool have for the executed plan's joins, and for what is on
    top of them; None where one of them is in no plan.

    A lower bound: sorted inputs may come cheaper elsewhere, and where the planner turned a join's sides it did so since
    that is cheaper.
    """
    joins: dict[_Key, float] = {}
    top: list[float] = []
    wanted = [(_key(node, known), node) for node in printed_nodes(executed) if node["Node Type"] in METHODS]
    if not wanted or any(key is None for key, _ in wanted):
        return None
    whole = below(wanted[0][1], known)
    for plan in pool:
        for node in printed_nodes(plan):
            if node["Node Type"] not in METHODS:
                continue
            key, own = _key(node, known), _own(node)
            if key is not None and own is not None:
                joins[key] = min(own, joins.get(key, own))
        first = next((node for node in printed_nodes(plan) if node["Node Type"] in METHODS), None)
        if first is not None and below(first, known) == whole:
            top.append(float(plan["Total Cost"]) - float(first["Total Cost"]))
    prices = [joins.get(key, joins.get(_turned(key))) for key, _ in wanted if key is not None]
    if not top or any(price is None for price in prices):
        return None
    return sum(price for price in prices if price is not None) + max(min(top), 0.0)


def _key(node: Printed, known: frozenset[str]) -> _Key | None:
    sides = inputs(node)
    return (node["Node Type"], below(sides[0], known), below(sides[1], known)) if len(sides) == 2 else None


def _turned(key: _Key) -> _Key:
    return key[0], key[2], key[1]


def _own(node: Printed) -> float | None:
    """A join's cost without the joins below it; None for a loop over a join, whose cost it repeats."""
    outer, inner = (_next_join(side) for side in inputs(node))
    if inner is not None and node["Node Type"] == "Nested Loop":
        return None
    return float(node["Total Cost"]) - sum(float(join["Total Cost"]) for join in (outer, inner) if join is not None)


def _next_join(plan: Printed) -> Printed | None:
    return next((node for node in printed_nodes(plan) if node["Node Type"] in METHODS), None)
