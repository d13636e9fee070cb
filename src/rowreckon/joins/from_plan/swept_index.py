"""Sizes that agree with an index scan which reads a whole index, or a range of it, in every execution.

An equality on a column that is not the index's first bounds nothing: all entries that the columns before it leave are
visited and compared, at cpu_index_tuple_cost and an operator for each condition, and their pages are read. What an
execution costs beyond its descent and the rows it finds is then so much for each entry, as entries come by the page.
Source: genericcostestimate and btcostestimate in utils/adt/selfuncs.c, releases 13 to 17. From 18 on a scan may skip
from value to value of the first column instead, and the price does not tell which of the two was reckoned.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil

from rowreckon.cost import CostSettings
from rowreckon.cost.capabilities import has_skip_scan
from rowreckon.joins.from_plan.relation_sizes import Charged, SizeGuess, descent_cost, descents, tuples_at
from rowreckon.joins.from_plan.row_shape import RowShape


def swept_sizes(
    settings: CostSettings, readings: Sequence[Charged], shape: RowShape, per_entry: float, *, ranged: bool
) -> list[SizeGuess]:
    """The corners of the sizes at which executions that visit a whole index cost what was charged; empty where none do,
    or where finding each row by the index's first column may have cost as much.

    `per_entry` is the planner cost of processing one entry. `ranged` says that conditions with constants are among the
    index's, so that only a part of it may be visited.
    """
    if has_skip_scan(settings.server_major):
        return []
    found: list[SizeGuess] = []
    for charged in readings:
        if charged.least <= _dearest_by_first_column(settings, charged, shape):
            return []
        found += _swept(settings, charged, shape, per_entry, ranged)
    return found


def _dearest_by_first_column(settings: CostSettings, charged: Charged, shape: RowShape) -> float:
    """The most that an execution costs where the index leads to the rows: no page is shared, each row has its own."""
    pages = ceil(charged.found / shape.entries[0]) + 1.0 + charged.found * charged.unseen
    return charged.startup + charged.cpu + settings.random_page_cost * pages


def _swept(
    settings: CostSettings, charged: Charged, shape: RowShape, per_entry: float, ranged: bool
) -> list[SizeGuess]:
    random = settings.random_page_cost
    # a page that all executions read is charged once among them (index_pages_fetched while the cache holds it)
    cheap = random / max(charged.loops, 1.0)
    dear = random if ranged else cheap
    heap = charged.cpu - charged.found * per_entry
    dear_heap = heap + random * charged.found * charged.unseen
    fewest, _, most = shape.entries
    guesses: list[SizeGuess] = []
    for height, bits in descents(settings, charged.startup):
        descent = descent_cost(settings, height, bits)
        low, high = tuples_at(height, shape)
        low, high = max(2.0 ** (bits - 1) + 1.0 if bits else 1.0, low), min(2.0**bits, high)
        above = 2.0 if height else 1.0  # the meta page and the root, where that is no leaf
        # so many entries at least and at most, with the leaves that hold them
        least = (charged.least - descent - dear_heap - above * dear) / (per_entry + dear / fewest)
        many = (charged.most - descent - heap - (0.0 if ranged else above * cheap)) / (per_entry + cheap / most)
        least, many = max(least, 1.0 if ranged else low), min(many, high)
        if low > high or least > many:
            continue
        spans = [(least, max(least, low)), (least, high), (many, max(many, low)), (many, high)]
        for visited, tuples in spans if ranged else [(least, least), (many, many)]:
            pages = (charged.least - descent - heap - per_entry * visited) / cheap
            leaves = min(max(pages - above, visited / most), visited / fewest) * tuples / visited
            index = max(float(ceil(leaves)), 2.0 if height else 1.0) + above
            guesses += [
                SizeGuess(
                    float(ceil(tuples / rows)), float(round(tuples)), index, height, 0.0, charged.found, round(visited)
                )
                for rows in (shape.rows[2], shape.rows[0])
            ]
    return guesses
