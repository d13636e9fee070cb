"""A join that another stands on: what it would have cost, had its inputs been expected as they came.

Right estimates reprice every join below too, perhaps by another method. All ways to run the upper join then pay that
price, and what the planner takes for equal is one per cent of a total that holds it.
"""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.cost import PathCost
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.joins.facts.inputs import JoinInput
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.joins.verdict.points import points_of
from rowreckon.joins.ways.elsewhere import least
from rowreckon.joins.ways.lower_join import LowerJoin
from rowreckon.joins.ways.model import JoinModel

_TRUSTED = 0.05
"""How far a model's price may be from the plan's for what it says of other rows to be taken; no source."""


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
    missed = printed - (model.executed.whole or model.executed.cost)(points.estimate).total_cost
    if abs(missed) > _TRUSTED * printed:
        return None
    executed = (model.executed.whole or model.executed.cost)(points.actual)
    if model.executed.gathered and model.lower is not None:
        found = least(model.lower.shared, points.actual)
        taken = None if found is None else found[1]
    else:
        taken = model.taken(points.actual)
    if taken is None:
        return None
    whole = partial = None
    if model.lower is not None:
        whole = model.lower.whole(points.estimate, points.actual)
        partial = model.lower.partial(points.estimate, points.actual)
    return LowerJoin(_by(taken, missed), _by(executed, missed), whole, partial)


def _by(path: PathCost, more: float) -> PathCost:
    """A price with what the model misses at the estimate, which the plan tells."""
    return path._replace(total_cost=path.total_cost + more, rescan_total_cost=path.rescan_total_cost + more)
