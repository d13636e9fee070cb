"""A join that another stands on, priced at the rows that really came: what the upper join then pays for it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from rowreckon.cost import CostSettings, PathCost, cost_gather
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.frozen import frozen
from rowreckon.joins.facts.inputs import SidePath
from rowreckon.plan.nodes import GatherNode


@frozen
class LowerJoin:
    """A join at its actual rows: the path that the planner would take there, and the one by the executed way.

    Both are of the executed kind: whole, or each process's part. `whole` is the cheapest way for one process (or for
    each), `partial` the one that processes share, each at the estimate and at the actual; None where there is none.
    """

    taken: PathCost
    executed: PathCost
    whole: SidePath | None = None
    partial: SidePath | None = None

    def at_actual(self, printed: SidePath) -> Iterator[SidePath]:
        """The printed path with what it becomes at the actual rows; one in a useful order stays with its own way."""
        if not printed.order or self.taken == self.executed:
            yield printed._replace(actual=self.taken)
            return
        yield printed._replace(order=(), actual=self.taken)
        yield printed._replace(actual=self.executed)


def through_gather(settings: CostSettings, reckoned: ReckonedTree, number: int, lower: LowerJoin) -> LowerJoin | None:
    """What the node at `number`, right above a lower join, hands up if it is a Gather; None for any other node.

    The price of handing over rows is the estimated rows': `SidePath.per_row` adds the rest.
    """
    node = reckoned.tree.nodes[number] if number >= 0 else None
    if not isinstance(node, GatherNode) or node.node_type != "Gather" or node.single_copy:
        return None
    rows = float(node.plan_rows or 1)
    return replace(
        lower,
        taken=cost_gather(settings, lower.taken, rows),
        executed=cost_gather(settings, lower.executed, rows),
    )
