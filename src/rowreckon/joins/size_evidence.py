"""How large a nested loop's inner relation can be, from the printed cost of an index scan of it.

A B-tree descent is charged ceil(log2(tuples)) operators and fifty for each level, so that the startup cost tells the
tuples to a power of two, as far as two decimals go. What one execution costs beyond its rows and its descent is a whole
number of pages ÷ executions × random_page_cost: where that step is coarser than the descent's play, the join's total
cost tells the descent more exactly. Fewer pages than executions ask for mean that pages were shared, which bounds table
and index (Mackert-Lohman). Row and key widths bound rows per page.
Source: btcostestimate in utils/adt/selfuncs.c, cost_index in optimizer/path/costsize.c, releases 13 to 18.
"""

from __future__ import annotations

from math import ceil

from rowreckon.cost import CostSettings
from rowreckon.frozen import frozen
from rowreckon.plan.nodes import IndexScanNode

from .relation_evidence import SeenRelation

_PAGE_CPU = 50.0
_USABLE = 8168.0
_TUPLE_OVERHEAD = 28.0
_UNSEEN_BYTES = (0.0, 40.0, 200.0)
"""Bytes per row in columns that the plan does not read: none, some, many (common practice, no source)."""
_ENTRIES_PER_PAGE = (367.0, 200.0)
"""Index entries on a page: integers on pages nine tenths full; texts of a dozen bytes after many inserts."""
_ROUNDING = 0.0051
_STEPS = 3


@frozen
class SizeGuess:
    """One possible size of a relation and of the index on it: pages, tuples, index pages, levels below the root."""

    pages: float
    tuples: float
    index_pages: float
    height: int


def seen_sizes(seen: SeenRelation) -> list[SizeGuess]:
    """The size that a whole scan elsewhere in the plan tells, with common and wide index entries."""
    found: list[SizeGuess] = []
    for entries in _ENTRIES_PER_PAGE:
        leaves = max(ceil(seen.tuples / entries), 1)
        height, level = 0, float(leaves)
        while level > 1.0:
            level, height = ceil(level / entries), height + 1
        found.append(SizeGuess(seen.pages, seen.tuples, leaves + (1.0 if leaves > 1 else 0.0) + 1.0, height))
    return found


def possible_sizes(
    settings: CostSettings, scan: IndexScanNode, width: int, descent: tuple[float, float] | None
) -> list[SizeGuess]:
    """Sizes that span what the printed costs allow, from few tuples to many and from narrow rows to wide.

    `descent` bounds the cost of one descent where the join's total tells it more exactly than the startup cost.
    """
    operator = settings.cpu_operator_cost
    startup = float(scan.startup_cost or 0.0)
    least, most = startup - _ROUNDING, startup + _ROUNDING
    if descent is not None and descent[0] <= most and descent[1] >= least:
        least, most = max(least, descent[0]), min(most, descent[1])
    spans: list[tuple[float, float, int]] = []
    for height in range(4):
        levels = (height + 1) * _PAGE_CPU * operator
        low, high = ceil((least - levels) / operator - 1e-6), int((most - levels) / operator + 1e-6)
        fewest, many = _tuples_at(height)
        for bits in range(max(low, 1), min(high, 40) + 1):
            start, end = max(2.0 ** (bits - 1) + 1.0, fewest), min(2.0**bits, many)
            if start <= end:
                spans.append((start, end, height))
    if not spans:
        return []
    first, last = min(s[0] for s in spans), max(s[1] for s in spans)
    sizes: list[SizeGuess] = []
    for step in range(_STEPS):
        tuples = first * (last / first) ** (step / (_STEPS - 1))
        height = next((h for low, high, h in spans if low <= tuples <= high), spans[0][2])
        for unseen in _UNSEEN_BYTES:
            pages = ceil(tuples / max(_USABLE // (_TUPLE_OVERHEAD + width + unseen), 1.0))
            for entries in _ENTRIES_PER_PAGE:
                leaves = max(ceil(tuples / entries), 1)
                sizes.append(SizeGuess(float(pages), tuples, leaves + 1.0, height))
    return sizes


def representatives(fits: list[tuple[float, SizeGuess]], play: float) -> list[SizeGuess]:
    """Of the sizes that fit the printed costs the middle one, then those that span the rest."""
    best = min(f for f, _ in fits)
    kept = sorted((size for fit, size in fits if fit <= best + play), key=lambda s: s.pages + s.tuples / 50.0)
    middle = kept[len(kept) // 2]
    return list(dict.fromkeys([middle, kept[0], kept[-1]]))


def _tuples_at(height: int) -> tuple[float, float]:
    """Tuples that a B-tree of so many levels below its root holds, for wide keys half full up to narrow ones full."""
    if height == 0:
        return 1.0, 410.0
    return 60.0**height, 410.0 ** (height + 1)
