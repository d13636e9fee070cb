"""The ways to produce a side that the plan itself shows, and those that the model adds where the side is a join.

A side may be read whole by one process (or by each), or shared: what the plan shows is one of the two, and a lower
join's own model tells the other.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from rowreckon.joins.facts.inputs import SidePath
from rowreckon.joins.facts.sides import side_facts
from rowreckon.joins.ways.side_paths import printed_paths
from rowreckon.plan.nodes import GatherNode

if TYPE_CHECKING:
    from rowreckon.joins.facts.catalog_facts import CatalogFacts
    from rowreckon.joins.facts.join_at_hand import JoinAtHand
    from rowreckon.joins.facts.sides import Side
    from rowreckon.joins.ways.lower_join import LowerJoin


def printed_ways(
    case: JoinAtHand,
    side: Side,
    known: CatalogFacts,
    keys: list[str],
    below: Mapping[int, LowerJoin],
    workers: int,
) -> tuple[list[SidePath], list[SidePath]]:
    """A side's ways as the plan and a join below tell them: read whole, and shared, where the plan shares it, between
    so many workers."""
    tree, facts = case.reckoned.tree, case.facts
    lower = below.get(side.node)
    printed = list(printed_paths(case.settings, tree, facts, side, keys, known.index_order))
    if lower is not None:
        printed = [path for p in printed for path in lower.at_actual(p)]
    shared = side.processes > 1.0 or (facts.workers > 0 and case.reckoned.parallelism.partial[side.node])
    whole: list[SidePath] = []
    partial: list[SidePath] = []
    if shared:
        partial = [p._replace(workers=workers) for p in printed]
    else:
        safe = not known.parallel.gathers_below(side.node)
        whole = [p._replace(safe=safe) for p in printed]
        partial = _below_its_gather(case, side, known, keys, below)
    if lower is not None:
        if lower.whole is not None and (shared or not whole[:1] or not whole[0].safe):
            whole = [*whole, lower.whole]
        if lower.partial is not None and not partial:
            partial = [lower.partial]
    return whole, partial


def _below_its_gather(
    case: JoinAtHand,
    side: Side,
    known: CatalogFacts,
    keys: list[str],
    below: Mapping[int, LowerJoin],
) -> list[SidePath]:
    """What the Gather that a side is brings together, as each process does it."""
    tree = case.reckoned.tree
    node = tree.nodes[side.node]
    fed = tree.only_input(side.node)
    if not isinstance(node, GatherNode) or node.single_copy or not node.workers_planned or fed is None:
        return []
    child = side_facts(case.reckoned, fed, parameterised=False)
    printed = list(printed_paths(case.settings, tree, case.facts, child, keys, known.index_order))
    if child.node in below:
        printed = [path for p in printed for path in below[child.node].at_actual(p)]
    return [p._replace(workers=int(node.workers_planned)) for p in printed]
