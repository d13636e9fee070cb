"""An index on a relation of known size: the pages that it may have, and how far the table keeps its order.

With pages and rows known, the printed cost of an execution leaves two unknowns: the pages of the index, which its rows
and levels bound, and the correlation, which is solved for each of these.
Source: cost_index in optimizer/path/costsize.c, btcostestimate in utils/adt/selfuncs.c, releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import ceil

from rowreckon.cost import CostSettings, index_pages_fetched
from rowreckon.joins.from_plan.relation_sizes import Charged, SizeGuess, descent_cost, descents, index_pages
from rowreckon.joins.from_plan.row_shape import RowShape
from rowreckon.joins.from_plan.whole_table_scans import SeenRelation

_FULLER = 1.6
"""How many times more pages than the fewest and the most likely an index may have (common practice, no source)."""


def agreeing_sizes(
    settings: CostSettings, readings: Sequence[Charged], seen: SeenRelation, shape: RowShape
) -> list[SizeGuess]:
    """The sizes with which an execution costs what was charged: the likely one, the smallest index, the largest one.

    `readings` are the ways to read what was charged, the likely one first; empty where the size agrees with none.
    """
    found: list[SizeGuess] = []
    for charged in readings:
        for height, bits in descents(settings, charged.startup):
            if 2.0 ** (bits - 1) < max(seen.tuples, 1.0) <= 2.0**bits or (bits == 0 and seen.tuples <= 1.0):
                found += _agreeing(settings, charged, seen, shape, height, bits)
    if len(found) < 2:
        return found
    ends = (found[0], min(found, key=lambda g: g.index_pages), max(found, key=lambda g: g.index_pages))
    more = (min(found, key=lambda g: g.order), max(found, key=lambda g: g.order))
    return list(dict.fromkeys((*ends, *more)))


def _agreeing(
    settings: CostSettings, charged: Charged, seen: SeenRelation, shape: RowShape, height: int, bits: int
) -> Iterator[SizeGuess]:
    fewest, likely, most = shape.entries
    descent = descent_cost(settings, height, bits)
    spent = (charged.least - descent - charged.cpu, charged.most - descent - charged.cpu)
    tried = [index_pages(seen.tuples, entries, height) for entries in (likely, most, fewest)]
    for pages in dict.fromkeys((tried[0], ceil(tried[1] / _FULLER), ceil(tried[2] * _FULLER), *tried[1:])):
        guess = SizeGuess(seen.pages, seen.tuples, float(max(pages, 1)), height, 0.0, charged.found)
        order = _order(settings, charged, guess, spent)
        if order is not None:
            yield replace(guess, order=order)


def _order(settings: CostSettings, charged: Charged, guess: SizeGuess, spent: tuple[float, float]) -> float | None:
    """The squared correlation at which the pages of an execution cost so much, None where they never do."""
    loops, random = charged.loops, settings.random_page_cost
    table, index, found = max(guess.pages, 1.0), guess.index_pages, charged.found

    def fetched(pages: float, of: float) -> float:
        return index_pages_fetched(settings, pages, of, index, table)

    per_scan = ceil(found * index / max(guess.tuples, 1.0)) if index > 1.0 and guess.tuples > 1.0 else 1.0
    of_index = (fetched(per_scan * loops, index) / loops if loops > 1.0 else per_scan) * random
    together = ceil(found / max(guess.tuples, 1.0) * guess.pages)
    if loops > 1.0:
        most = ceil(fetched(found * loops, table) * charged.unseen) * random / loops
        least = ceil(fetched(together * loops, table) * charged.unseen) * random / loops
    else:
        most = ceil(fetched(found, table) * charged.unseen) * random
        pages = ceil(together * charged.unseen)
        least = random + (pages - 1.0) * settings.seq_page_cost if pages > 0 else 0.0
    low, high = spent[0] - of_index, spent[1] - of_index
    if most - least <= 0.0:
        return 0.0 if low <= most <= high else None
    # the dearer, the less order
    orders = ((most - high) / (most - least), (most - low) / (most - least))
    if orders[0] > 1.0 or orders[1] < 0.0:
        return None
    return min(max((orders[0] + orders[1]) / 2.0, 0.0), 1.0)
