"""By how many workers each part of a plan was planned to be shared, as far as settings and catalog tell.

What fills a shared hash table and what an Append collects have workers of their own, fewer or more than the Gather's.
EXPLAIN prints a share of their rows, and the Gather's workers alone; by which number it was divided follows from the
driving relation's own rows. Source: try_partial_hashjoin_path in optimizer/path/joinpath.c, initial_cost_hashjoin in
optimizer/path/costsize.c, releases 13 to 18.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.cost import partial_rows
from rowreckon.counts.parallel import Parallelism, find_parallelism, places_with_own_workers
from rowreckon.counts.reckon import ReckonedTree, reckon
from rowreckon.joins.facts.catalog_facts import CatalogFacts
from rowreckon.joins.facts.settings import settings_of
from rowreckon.plan.nodes import GatherNode, ScanNode
from rowreckon.plan.tree import lay_out

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.cost import CostSettings
    from rowreckon.plan.tree import PlanTree


def reckoned_of(capture: Capture) -> ReckonedTree:
    """The totals of a capture's plan under its own settings; the capture must hold a plan."""
    assert capture.explain is not None
    tree = lay_out(capture.explain.plan)
    if not any(isinstance(node, GatherNode) for node in tree.nodes):
        return reckon(tree)
    settings, _ = settings_of(capture, tree)
    leader, most = settings.parallel_leader_participation, settings.max_parallel_workers_per_gather
    own: dict[int, int] = {}
    if capture.catalog is not None:
        parallelism = find_parallelism(tree, leader_takes_part=leader, most_workers=most)
        known = CatalogFacts(capture.catalog, tree, settings)
        for place in places_with_own_workers(tree, parallelism):
            workers = _workers(settings, tree, place, parallelism, known)
            if workers is not None:
                own[place] = workers
    return reckon(tree, leader_takes_part=leader, most_workers=most, own_workers=own)


def _workers(
    settings: CostSettings, tree: PlanTree, place: int, parallelism: Parallelism, known: CatalogFacts
) -> int | None:
    """The workers whose share of the rows of the scan that drives a partial node is printed, None where none's is."""
    scan = _driving_scan(tree, place)
    relation = known.relation_of(scan) if scan is not None else None
    if scan is None or relation is None or not relation.complete:
        return None
    rows = float(tree.nodes[scan].plan_rows or 0.0)
    fewest, most = parallelism.untold[place]
    likeliest_first = (parallelism.planned[place], *range(most, fewest - 1, -1))
    return next((w for w in likeliest_first if partial_rows(settings, relation.rows, w) == rows), None)


def _driving_scan(tree: PlanTree, number: int) -> int | None:
    """The scan whose rows the processes divide among them: down the outer sides, and through single inputs."""
    while not isinstance(tree.nodes[number], ScanNode):
        below = tree.outer(number)
        if below is None:
            inputs = tree.inputs(number)
            below = inputs[0] if len(inputs) == 1 else None
        if below is None:
            return None
        number = below
    return number
