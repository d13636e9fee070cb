"""A join that another stands on: what it would have cost, had its inputs been expected as they came.

Right estimates reprice every join below too, perhaps by another method. All ways to run the upper join then pay that
price, and what the planner takes for equal is one per cent of a total that holds it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rowreckon.cost import CostSettings, PathCost, cost_gather
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.frozen import frozen
from rowreckon.plan.nodes import GatherNode

from .inputs import JoinInput, SidePath
from .model import JoinModel
from .points import points_of
from .sides import JoinFacts

_TRUSTED = 0.01


@frozen
class LowerJoin:
    """A join at its actual rows: the path that the planner would take there, and the one by the executed way."""

    taken: PathCost
    executed: PathCost

    def at_actual(self, printed: SidePath) -> Iterator[SidePath]:
        """The printed path with what it becomes at the actual rows; one in a useful order stays with its own way."""
        if not printed.order or self.taken == self.executed:
            yield printed._replace(actual=self.taken)
            return
        yield printed._replace(order=(), actual=self.taken)
        yield printed._replace(actual=self.executed)


def lower_join(
    reckoned: ReckonedTree, facts: JoinFacts, worlds: Sequence[tuple[JoinInput, JoinModel]]
) -> LowerJoin | None:
    """A join as others stand on it; None where its model does not rest on the catalog, or not agree with the plan."""
    if not worlds:
        return None
    join, model = worlds[0]
    printed = float(reckoned.tree.nodes[facts.node].total_cost or 0.0)
    if model.basis != "catalog" or model.executed is None or model.fraction < 1.0 or printed <= 0.0:
        return None
    points = points_of(facts, join)
    if points.actual is None or model.leader(points.estimate) != facts.method:
        return None
    if abs((model.executed.whole or model.executed.cost)(points.estimate).total_cost / printed - 1.0) > _TRUSTED:
        return None
    taken = model.taken(points.actual)
    return None if taken is None else LowerJoin(taken, model.executed.cost(points.actual))


def through_gather(settings: CostSettings, reckoned: ReckonedTree, number: int, lower: LowerJoin) -> LowerJoin | None:
    """What the node at `number`, right above a lower join, hands up if it is a Gather; None for any other node.

    The price of handing over rows is the estimated rows': `SidePath.per_row` adds the rest.
    """
    node = reckoned.tree.nodes[number] if number >= 0 else None
    if not isinstance(node, GatherNode) or node.node_type != "Gather" or node.single_copy:
        return None
    rows = float(node.plan_rows or 1)
    return LowerJoin(cost_gather(settings, lower.taken, rows), cost_gather(settings, lower.executed, rows))
