"""What the pages cost that an execution of a nested loop's inner scan reads, shared as they are with the others.

Source: genericcostestimate in utils/adt/selfuncs.c, cost_index and compute_bitmap_pages in optimizer/path/costsize.c,
releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Callable
from math import ceil

from rowreckon.cost import CostSettings, index_pages_fetched
from rowreckon.joins.from_plan.relation_sizes import SizeGuess

_FEWEST_IN_BITMAP = 2.0


def pages_cost(settings: CostSettings, size: SizeGuess, allvisfrac: float, *, bitmap: bool) -> Callable[[float], float]:
    """What of one execution's cost (planner cost) depends on how many there are, by their number.

    `allvisfrac` is the share of table pages that need not be looked at, `bitmap` says how the table is read.
    """
    random, seq = settings.random_page_cost, settings.seq_page_cost
    table, index = max(size.pages, 1.0), max(size.index_pages, 1.0)
    found, unseen = size.found, 1.0 - allvisfrac
    visited = max(size.visited, found)
    per_scan = ceil(visited * index / max(size.tuples, 1.0)) if index > 1.0 and size.tuples > 1.0 else 1.0
    ordered = ceil(found / max(size.tuples, 1.0) * size.pages)

    def pages(fetched: float, of: float) -> float:
        return index_pages_fetched(settings, fetched, of, index, size.pages)

    def cost(loops: float) -> float:
        total = (pages(per_scan * loops, index) if loops > 1.0 else per_scan) * random / loops
        heap = pages(found * loops, table)
        if bitmap:
            each = min(float(ceil(heap / loops)), table)
            part = (random - seq) * (each / table) ** 0.5 if each >= _FEWEST_IN_BITMAP else 0.0
            # from some number of executions on the same index is cheaper without a bitmap
            return total + min(each * (random - part), heap * random / loops)
        heap *= random / loops
        least = heap
        if size.order:
            least = pages(ordered * loops, table) * random / loops if loops > 1.0 else random + (ordered - 1.0) * seq
        return total + (heap + size.order * (least - heap)) * unseen

    return cost
