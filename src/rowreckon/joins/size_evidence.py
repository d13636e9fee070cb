"""How large a nested loop's inner relation can be, from the printed cost of an index scan of it.

A B-tree descent is charged ceil(log2(tuples)) operators and fifty for each level, so that the startup cost tells the
tuples to a power of two, as far as two decimals go. What one execution costs beyond its rows and its descent is a whole
number of pages ÷ executions × random_page_cost: where that step is coarser than the descent's play, the join's total
cost tells the descent exactly. Fewer pages than executions ask for mean that pages were shared, which bounds the table
(Mackert-Lohman). Row widths bound rows per page.
Source: btcostestimate in utils/adt/selfuncs.c, cost_index in optimizer/path/costsize.c, releases 13 to 18.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

from rowreckon.cost import CostSettings
from rowreckon.plan.nodes import IndexScanNode

from .relation_evidence import SeenRelation

_PAGE_CPU = 50.0
_USABLE = 8168.0
_TUPLE_OVERHEAD = 28.0
_UNSEEN_BYTES = (0.0, 40.0, 200.0)
"""Bytes per row in columns that the plan does not read: none, some, many (common practice, no source)."""
_ROUNDING = 0.0051


@dataclass(frozen=True, slots=True)
class SizeGuess:
    """One possible size of a relation and of the index on it: pages, tuples, index pages, levels below the root."""

    pages: float
    tuples: float
    index_pages: float
    height: int


def seen_size(seen: SeenRelation, scan: IndexScanNode | None) -> SizeGuess:
    """The size that a whole scan elsewhere in the plan tells; the index's pages are a common B-tree's."""
    height = 0 if seen.tuples < 400 else 1 if seen.tuples < 100_000 else 2
    return SizeGuess(seen.pages, seen.tuples, max(ceil(seen.tuples / 330.0), 1.0), height)


def possible_sizes(
    settings: CostSettings, scan: IndexScanNode, width: int, exact_cost: float | None
) -> list[SizeGuess]:
    """Sizes that span what the printed costs allow: fewest and most tuples, narrowest and widest rows.

    `exact_cost` is the cost of one execution without its rows and pages, to a fraction of an operator, where known.
    """
    operator = settings.cpu_operator_cost
    startup = float(scan.startup_cost or 0.0)
    found: list[tuple[float, float, int]] = []
    for height in range(4):
        levels = (height + 1) * _PAGE_CPU * operator
        low = ceil((startup - _ROUNDING - levels) / operator)
        high = int((startup + _ROUNDING - levels) / operator)
        if exact_cost is not None:
            exact = round((exact_cost - levels) / operator)
            low, high = max(low, exact), min(high, exact)
        least, most = _tuples_at(height)
        for bits in range(max(low, 1), min(high, 40) + 1):
            fewest, many = max(2.0 ** (bits - 1) + 1.0, least), min(2.0**bits, most)
            if fewest <= many:
                found.append((fewest, many, height))
    if not found:
        return []
    few, most_of_all = min(found), max(found, key=lambda f: f[1])
    middle = (few[0] * most_of_all[1]) ** 0.5
    between = next((f for f in found if f[0] <= middle <= f[1]), few)
    sizes: list[SizeGuess] = []
    for tuples, height in ((few[0], few[2]), (middle, between[2]), (most_of_all[1], most_of_all[2])):
        for unseen in _UNSEEN_BYTES:
            per_page = max(_USABLE // (_TUPLE_OVERHEAD + width + unseen), 1.0)
            pages = ceil(tuples / per_page)
            sizes.append(SizeGuess(float(pages), tuples, float(max(ceil(tuples / 300.0), 1)), height))
    return sizes


def _tuples_at(height: int) -> tuple[float, float]:
    """Tuples that a B-tree of so many levels below its root holds, for wide keys half full up to narrow ones full."""
    if height == 0:
        return 1.0, 410.0
    return 60.0**height, 410.0 ** (height + 1)
