"""A join that another stands on: what it would have cost, had its inputs been expected as they came.

Right estimates reprice every join below too, perhaps by another method. All ways to run the upper join then pay that
price, and what the planner takes for equal is one per cent of a total that holds it.
"""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.counts.reckon import ReckonedTree
from rowreckon.joins.facts.inputs import JoinInput
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.joins.verdict.points import points_of
from rowreckon.joins.ways.elsewhere import least
from rowreckon.joins.ways.lower_join import LowerJoin
from rowreckon.joins.ways.model import JoinModel

_TRUSTED = 0.01


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
    return LowerJoin(taken, executed, whole, partial)
