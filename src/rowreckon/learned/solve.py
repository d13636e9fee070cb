"""The pages and rows that agree with all that is told of a relation: bounds intersected, and cost lines crossed.

Two scans that charge a row differently cross in one point; of a line alone, a whole number of rows has to go with a
whole number of pages.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from math import ceil, floor, inf, isinf

from rowreckon.learned.evidence import CostLine, SizeClue
from rowreckon.learned.facts import Bounds, Size

_NEAR = 1e-6
_MOST_TRIED = 2000
"""Row counts that are tried one by one."""
_MOST_PER_PAGE = 291.0
"""Rows on a page at most: MaxHeapTuplesPerPage in access/htup_details.h at 8 kB."""
_ROUNDS = 3


def solved(clues: Sequence[SizeClue]) -> Size | None:
    """The size that all these clues to one relation leave, None where they contradict each other."""
    pages, rows = _whole(_met([c.pages for c in clues])), _whole(_met([c.rows for c in clues]))
    different = list(dict.fromkeys(c.line for c in clues if c.line is not None))
    for one, other in combinations(different, 2):
        rows = _whole(rows.meet(_crossing(one, other)))
    for _ in range(_ROUNDS):
        for line in different:
            rows = _whole(rows.meet(line.rows(pages)).meet(Bounds(0.0, pages.high * _MOST_PER_PAGE)))
            pages = _whole(pages.meet(line.pages(rows)).meet(Bounds(rows.low / _MOST_PER_PAGE, inf)))
    if pages.empty or rows.empty:
        return None
    if different and rows.high - rows.low <= _MOST_TRIED:
        tried = _tried(different, pages, rows)
        if tried is None:
            return None
        pages, rows = tried
    return Size(pages, rows)


def _met(all_bounds: Sequence[Bounds]) -> Bounds:
    found = Bounds()
    for bounds in all_bounds:
        found = found.meet(bounds)
    return found


def _whole(bounds: Bounds) -> Bounds:
    """The whole numbers between them."""
    high = bounds.high if isinf(bounds.high) else float(floor(bounds.high + _NEAR))
    return Bounds(float(ceil(max(bounds.low, 0.0) - _NEAR)), high)


def _crossing(one: CostLine, other: CostLine) -> Bounds:
    """The rows at which two lines have the same pages; all where they never part."""
    steeper = one.per_row / one.per_page - other.per_row / other.per_page
    if abs(steeper) < _NEAR * max(one.per_row / one.per_page, _NEAR):
        return Bounds()
    ends = [
        (mine / one.per_page - theirs / other.per_page) / steeper
        for mine in (one.low, one.high)
        for theirs in (other.low, other.high)
    ]
    return Bounds(min(ends), max(ends))


def _tried(lines: Sequence[CostLine], pages: Bounds, rows: Bounds) -> tuple[Bounds, Bounds] | None:
    """The whole rows with which each line has the same whole pages, as bounds of both; None where there are none."""
    fitting: list[tuple[float, Bounds]] = []
    for number in range(int(rows.low), int(rows.high) + 1):
        at = Bounds(float(number), float(number))
        left = pages
        for line in lines:
            left = _whole(left.meet(line.pages(at)))
        if not left.empty:
            fitting.append((float(number), left))
    if not fitting:
        return None
    return (
        Bounds(min(b.low for _, b in fitting), max(b.high for _, b in fitting)),
        Bounds(fitting[0][0], fitting[-1][0]),
    )
