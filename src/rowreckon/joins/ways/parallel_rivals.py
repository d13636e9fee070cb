"""Rivals that several processes could run, where the model prices them for one process alone.

What a plan of one process costs says little of a rival below a Gather of its own.  That one can't be priced to the
cent here, but bounded: every process pays at least its share of the work, and the Gather its start.
"""

from __future__ import annotations

from collections.abc import Iterator

from rowreckon.cost.gather import parallel_divisor
from rowreckon.frozen import frozen
from rowreckon.joins.facts.catalog_facts import CatalogFacts
from rowreckon.joins.facts.join_at_hand import JoinAtHand
from rowreckon.plan.nodes import ModifyTableNode, ScanNode


@frozen
class ParallelFloor:
    """The least that a way of one process would cost if processes shared it: planner cost.

    Source: cost_gather and get_parallel_divisor in optimizer/path/costsize.c. A hash table that only one process has
    to spill is left out of account.
    """

    setup: float
    divisor: float

    def least(self, serial: float) -> float:
        """From the cost for one process (planner cost), the least for several."""
        return self.setup + serial / self.divisor


def parallel_floor(case: JoinAtHand, known: CatalogFacts | None) -> ParallelFloor | None:
    """The bound for rivals of this join; None where no process but one can take part, or the join has them already."""
    settings, workers = case.settings, case.settings.max_parallel_workers_per_gather
    if workers < 1 or case.facts.workers > 0 or isinstance(case.reckoned.tree.nodes[0], ModifyTableNode):
        return None
    sizes = list(_pages(case, known))
    if None in sizes or not any(pages >= settings.min_parallel_table_scan_size for pages in sizes if pages is not None):
        return None
    return ParallelFloor(settings.parallel_setup_cost, parallel_divisor(settings, workers))


def _pages(case: JoinAtHand, known: CatalogFacts | None) -> Iterator[float | None]:
    """The pages of each relation below the join, at most; None for one that no worker may read."""
    settings, tree = case.settings, case.reckoned.tree
    for number in tree.subtree(case.facts.node):
        node = tree.nodes[number]
        if not isinstance(node, ScanNode):
            continue
        relation = known.relation_of(number) if known is not None else None
        if relation is not None:
            yield None if relation.relation.persistence == "temporary" else relation.size.pages
        elif node.node_type == "Seq Scan" and settings.seq_page_cost > 0:
            yield float(node.total_cost or 0.0) / settings.seq_page_cost
        elif node.node_type in ("Index Scan", "Index Only Scan", "Bitmap Heap Scan"):
            yield settings.min_parallel_table_scan_size
