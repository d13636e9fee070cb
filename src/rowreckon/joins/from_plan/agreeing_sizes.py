"""An index on a relation of known size: the pages that it may have, and how far the table keeps its order.

With pages and rows known, the printed cost of an execution leaves two unknowns: the pages of the index, which its rows
and levels bound, and the correlation, which is solved for each of these.
Source: cost_index in optimizer/path/costsize.c, btcostestimate in utils/adt/selfuncs.c, releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from math import ceil
from typing import NamedTuple

from rowreckon.cost import CostSettings, index_pages_fetched
from rowreckon.joins.from_plan.relation_sizes import Charged, SizeGuess, descent_cost, descents, index_pages
from rowreckon.joins.from_plan.row_shape import RowShape
from rowreckon.joins.from_plan.whole_table_scans import SeenRelation

_FULLER = 1.6
"""How many times fewer or more pages an index may have than its widest and narrowest entries make likely (common
practice, no source)."""
_NEAR = 1e-6


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


class _Pages(NamedTuple):
    """What the pages of one execution cost: those of the table in no order of the index, and in its very order."""

    scattered: float
    together: float


def _agreeing(
    settings: CostSettings, charged: Charged, seen: SeenRelation, shape: RowShape, height: int, bits: int
) -> Iterator[SizeGuess]:
    """At the fewest index pages that fit, the likely number and the most, each with the order that fits them."""
    fewest, likely, most = shape.entries
    descent = descent_cost(settings, height, bits)
    least, dearest = charged.least - descent - charged.cpu, charged.most - descent - charged.cpu
    table, index_cost = _table_pages(settings, charged, seen), _index_cost(settings, charged, seen)
    low = max(ceil(index_pages(seen.tuples, most, height) / _FULLER), 1)
    high = ceil(index_pages(seen.tuples, fewest, height) * _FULLER)
    from_ = _first(lambda n: index_cost(n) >= least - table.scattered - _NEAR, low, high)
    to = _first(lambda n: index_cost(n) > dearest - table.together + _NEAR, low, high + 1) - 1
    if from_ > min(to, high):
        return
    middle = min(max(int(index_pages(seen.tuples, likely, height)), from_), to)
    for pages in dict.fromkeys((middle, from_, to)):
        rest = (least - index_cost(pages), dearest - index_cost(pages))
        for order in _orders(table, rest, charged):
            yield SizeGuess(seen.pages, seen.tuples, float(pages), height, order, charged.found)


def _table_pages(settings: CostSettings, charged: Charged, seen: SeenRelation) -> _Pages:
    loops, random, table = charged.loops, settings.random_page_cost, max(seen.pages, 1.0)
    together = ceil(charged.found / max(seen.tuples, 1.0) * seen.pages)

    def fetched(pages: float) -> float:
        # the index's pages only count beyond what the cache holds, and are not known yet
        return ceil(index_pages_fetched(settings, pages, table, 1.0, table) * charged.unseen)

    if loops > 1.0:
        return _Pages(
            fetched(charged.found * loops) * random / loops,
            fetched(together * loops) * random / loops,
        )
    pages = ceil(together * charged.unseen)
    in_order = random + (pages - 1.0) * settings.seq_page_cost if pages > 0 else 0.0
    return _Pages(fetched(charged.found) * random, in_order)


def _index_cost(settings: CostSettings, charged: Charged, seen: SeenRelation) -> Callable[[int], float]:
    """What the index pages of one execution cost, by how many the index has: more with more of them."""
    loops, random, table = charged.loops, settings.random_page_cost, max(seen.pages, 1.0)

    def cost(pages: int) -> float:
        several = pages > 1 and seen.tuples > 1.0
        per_scan = ceil(charged.found * pages / seen.tuples) if several else 1.0
        if loops <= 1.0:
            return per_scan * random
        return index_pages_fetched(settings, per_scan * loops, float(pages), float(pages), table) * random / loops

    return cost


def _first(reached: Callable[[int], bool], low: int, high: int) -> int:
    """The first whole number that reaches it, `high` + 1 where none up to there does."""
    if low > high or not reached(high):
        return high + 1
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if reached(middle) else (middle + 1, high)
    return low


def _orders(table: _Pages, rest: tuple[float, float], charged: Charged) -> tuple[float, ...]:
    """The squared correlation at which the table's pages cost so much: the dearer, the less order. Either end where it
    makes no difference to what was charged, and may make one to more executions."""
    further = table.scattered - table.together
    if further <= 0.0:
        return (0.0, 1.0) if charged.found > 1.0 and charged.unseen > 0.0 else (0.0,)
    least, most = (table.scattered - rest[1]) / further, (table.scattered - rest[0]) / further
    return (min(max((least + most) / 2.0, 0.0), 1.0),)
