"""How large a nested loop's inner relation can be, from the printed cost of an index scan of it.

A B-tree descent is charged ceil(log2(tuples)) operators and fifty for each level, so that the startup cost tells the
tuples to a power of two, as far as two decimals go. What one execution costs beyond its descent and its rows is a
number of pages times random_page_cost ÷ executions: table and index pages, each a whole number over all executions.
The join's total cost tells that product to a cent, and so which descent leaves whole pages. Fewer pages than
executions ask for mean that pages were shared, which bounds table and index (Mackert-Lohman).
Source: btcostestimate in utils/adt/selfuncs.c, cost_index and index_pages_fetched in optimizer/path/costsize.c,
releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from math import ceil, floor
from typing import NamedTuple

from rowreckon.cost import CostSettings
from rowreckon.frozen import frozen
from rowreckon.joins.from_plan.row_shape import RowShape
from rowreckon.joins.from_plan.whole_table_scans import SeenRelation

_PAGE_CPU = 50.0
_ROUNDING = 0.0051
_HALVINGS = 7
_LEAST_FANOUT = 60.0
_MOST_FANOUT = 407.0
"""Entries on an inner page of an index: wide keys on half full pages, and eight bytes with overhead on full ones."""
_DAMPED = 0.5625
"""The most that the squared correlation counts for an index of several columns (btcostestimate damps it by 3/4)."""
_FEWEST_IN_BITMAP = 2.0
_MOST_PAGES = 1.0e9
_NEARLY = 1e-3
"""How far the squared correlation of a table in random order, or in the index's, may be from 0 or 1."""


@frozen
class SizeGuess:
    """One possible size of a relation and of the index on it: pages, tuples, index pages, levels below the root.

    `order` is how much of the index's order the table keeps: the correlation's square. `found` rows share a key.
    `visited` entries are read to find them, 0 where the index leads to just those.
    """

    pages: float
    tuples: float
    index_pages: float
    height: int
    order: float = 0.0
    found: float = 1.0
    visited: float = 0.0

    @property
    def share(self) -> float:
        """The share of all entries that an execution visits, where it visits others than those it finds, else 1."""
        return min(self.visited / max(self.tuples, 1.0), 1.0) if self.visited else 1.0


@frozen
class Charged:
    """What one execution of an index scan was charged: between `least` and `most` (planner cost), with its startup.

    `found` rows each, over `loops` executions, at `cpu` planner cost of processing beyond the descent. `unseen` is the
    share of table pages that have to be looked at (1 but for index-only scans). `orders` are the squared correlations
    that are likely: 0, 1 or either.
    """

    least: float
    most: float
    startup: float
    cpu: float
    found: float
    loops: float
    unseen: float
    orders: tuple[float, ...]


class _Span(NamedTuple):
    """The corners of a stretch of sizes (tuples, table pages, index pages), with what else was taken for granted."""

    corners: tuple[tuple[float, float, float], ...]
    height: int
    order: float
    found: float


def seen_sizes(seen: SeenRelation, shape: RowShape, rows: float = 1.0) -> list[SizeGuess]:
    """The size that a whole scan elsewhere in the plan tells, with the likely, the smallest and the largest index;
    `rows` share a key."""
    found: list[SizeGuess] = []
    fewest, likely, most = shape.entries
    for entries, order in ((likely, 0.5), (most, 1.0), (fewest, 0.0)):
        # a lone leaf is split when it is full, not when it is as full as a built one
        height = 0 if order == 1.0 and seen.tuples <= shape.full_leaf else _height(seen.tuples, entries)
        pages = index_pages(seen.tuples, entries, height)
        found.append(SizeGuess(seen.pages, seen.tuples, pages, height, order, rows))
    return found


def possible_sizes(settings: CostSettings, readings: Sequence[Charged], shape: RowShape) -> list[SizeGuess]:
    """The corners of what agrees with what was charged, empty where nothing does.

    `readings` are the ways to read what was charged.
    """
    spans: list[_Span] = []
    for charged in readings:
        if charged.found * charged.loops > settings.effective_cache_size:
            continue
        for order in charged.orders:
            spans += _fitting(settings, charged, shape, order)
    if not spans:
        for charged in readings:
            if charged.found > 1.0 and charged.unseen > 0.0:
                spans += _fitting(settings, charged, shape, _DAMPED)
    return [
        SizeGuess(float(ceil(pages)), float(round(tuples)), float(floor(index)), span.height, span.order, span.found)
        for span in spans
        for tuples, pages, index in span.corners
    ]


def between(low: SizeGuess, high: SizeGuess, part: float) -> SizeGuess:
    """A size on the way from one to the other, by ratio."""

    def mean(least: float, most: float) -> float:
        return float(round(least ** (1.0 - part) * most**part))

    return SizeGuess(
        pages=max(mean(low.pages, high.pages), 1.0),
        tuples=max(mean(low.tuples, high.tuples), 1.0),
        index_pages=max(mean(low.index_pages, high.index_pages), 1.0),
        height=low.height if part < 0.5 else high.height,  # the executed scan's cost is told by the plan anyway
        order=low.order + (high.order - low.order) * part,
        found=max(mean(low.found, high.found), 1.0),
        visited=mean(low.visited, high.visited) if low.visited and high.visited else 0.0,
    )


def bitmap_sizes(
    settings: CostSettings, shape: RowShape, heap: tuple[float, float], found: float, loops: float
) -> list[SizeGuess]:
    """As `possible_sizes`, from what a bitmap heap scan was charged for its table pages (at least, at most).

    A page of a bitmap costs less than a random one the more of the table's pages are read, which tells their number.
    Source: cost_bitmap_heap_scan in optimizer/path/costsize.c.
    """
    if settings.random_page_cost <= settings.seq_page_cost or found < _FEWEST_IN_BITMAP:
        return []
    fewest, most = (_bitmap_pages(settings, cost, found, loops) for cost in heap)
    if most is None or fewest is None:
        return []
    likely = (fewest * most) ** 0.5
    order = 0.5
    found_sizes = [(likely, shape.rows[1], shape.entries[1]), (fewest, shape.rows[0], shape.entries[2])]
    return [
        _guess(pages * rows, rows, entries, _height(pages * rows, entries), order, found)
        for pages, rows, entries in (*found_sizes, (most, shape.rows[2], shape.entries[0]))
    ]


def _bitmap_pages(settings: CostSettings, cost: float, found: float, loops: float) -> float | None:
    """Table pages at which the pages of one execution come to `cost`; None where no number of pages does."""
    low, high = 1.0, _MOST_PAGES
    if not _bitmap_cost(settings, low, found, loops) <= cost < _bitmap_cost(settings, high, found, loops):
        return None
    while high > low * 1.002:
        middle = (low * high) ** 0.5
        if _bitmap_cost(settings, middle, found, loops) < cost:
            low = middle
        else:
            high = middle
    return high


def _bitmap_cost(settings: CostSettings, pages: float, found: float, loops: float) -> float:
    read = _shared(found * loops, pages) / loops
    read = pages if read >= pages else float(ceil(read))
    random, seq = settings.random_page_cost, settings.seq_page_cost
    return read * (random - (random - seq) * (read / pages) ** 0.5 if read >= _FEWEST_IN_BITMAP else random)


def _height(tuples: float, entries: float) -> int:
    height, level = 0, float(max(ceil(tuples / entries), 1))
    while level > 1.0:
        level, height = ceil(level / entries), height + 1
    return height


def fewest_tuples(settings: CostSettings, startup: float) -> float:
    """The fewest tuples of an index whose descent prints as this startup cost."""
    return min((2.0 ** (bits - 1) for _, bits in descents(settings, startup)), default=1.0)


def tree_levels(settings: CostSettings, startup: float) -> int:
    """Levels below the root of an index whose descent prints as this startup cost."""
    return min((height for height, _ in descents(settings, startup)), default=0)


def scan_cost(settings: CostSettings, guess: SizeGuess, *, index_only: bool) -> float:
    """Planner cost of reading all rows, from the table or, where that will do, from the index."""
    table = settings.seq_page_cost * guess.pages + settings.cpu_tuple_cost * guess.tuples
    if not index_only:
        return table
    per_row = settings.cpu_index_tuple_cost + settings.cpu_tuple_cost
    whole = settings.random_page_cost * guess.index_pages + per_row * guess.tuples
    return min(table, guess.share * whole)


def _guess(tuples: float, rows: float, entries: float, height: int, order: float, found: float) -> SizeGuess:
    tuples = float(round(tuples))
    return SizeGuess(float(ceil(tuples / rows)), tuples, index_pages(tuples, entries, height), height, order, found)


def index_pages(tuples: float, entries: float, height: int) -> float:
    """Pages of a B-tree: the meta page and a root that is the only leaf, or a root above two leaves at least."""
    return max(float(ceil(tuples / entries)), 2.0) + 2.0 if height else 2.0


def descents(settings: CostSettings, startup: float) -> Iterator[tuple[int, int]]:
    """Levels below the root, and powers of two that hold the tuples, which print as this startup cost."""
    operator = settings.cpu_operator_cost
    for height in range(4):
        levels = (height + 1) * _PAGE_CPU * operator
        low = ceil((startup - _ROUNDING - levels) / operator - 1e-6)
        high = floor((startup + _ROUNDING - levels) / operator + 1e-6)
        for bits in range(max(low, 0), min(high, 40) + 1):
            yield height, bits


def descent_cost(settings: CostSettings, height: int, bits: int) -> float:
    """Planner cost of one descent through `height` levels below the root with `bits` comparisons."""
    return ((height + 1) * _PAGE_CPU + bits) * settings.cpu_operator_cost


def _fitting(settings: CostSettings, charged: Charged, shape: RowShape, order: float) -> list[_Span]:
    """Stretches of tuple counts whose pages come to what was charged."""
    per_page = settings.random_page_cost / charged.loops
    slack = _NEARLY * (charged.found - 1.0) * charged.loops if charged.unseen > 0.0 else 0.0
    found: list[_Span] = []
    for height, bits in descents(settings, charged.startup):
        descent = descent_cost(settings, height, bits)
        least = (charged.least - descent - charged.cpu) / per_page - (slack if order else 0.0) - 1e-6
        most = (charged.most - descent - charged.cpu) / per_page + (0.0 if order else slack) + 1e-6
        if order != _DAMPED:
            least, most = float(ceil(least)), float(floor(most))
        if most < max(least, 1.0):  # no whole number of pages in between
            continue
        fewest, many = tuples_at(height, shape)
        low, high = max(2.0 ** (bits - 1) + 1.0 if bits else 1.0, fewest), min(2.0**bits, many)
        if low <= high:
            span = _between(charged, shape, order, (low, high), (least, most), height)
            if span is not None:
                found.append(span)
    return found


def _between(
    charged: Charged,
    shape: RowShape,
    order: float,
    tuples: tuple[float, float],
    charged_pages: tuple[float, float],
    height: int,
) -> _Span | None:
    """The tuples and pages that lead to the pages charged; more of either never means fewer pages read."""
    low, high = tuples
    least, most = charged_pages
    loops, found = charged.loops, charged.found
    fewest_rows, _, most_rows = shape.rows
    fewest_entries, _, most_entries = shape.entries
    of_index = ceil(found / most_entries) * loops
    scattered, together = found * loops, ceil(found / most_rows) * loops
    of_table = together if order else scattered

    def read(count: float, rows: float, entries: float) -> float:
        index = _shared(of_index, index_pages(count, entries, height))
        if charged.unseen <= 0.0:
            return index
        heap = _shared(of_table, count / rows)
        if order == _DAMPED:
            heap = order * heap + (1.0 - order) * _shared(scattered, count / rows)
        return index + (heap if charged.unseen >= 1.0 else ceil(heap * charged.unseen))

    if read(low, most_rows, most_entries) > most or read(high, fewest_rows, fewest_entries) < least:
        return None
    if read(low, fewest_rows, fewest_entries) < least:
        low = _edge(lambda n: read(n, fewest_rows, fewest_entries) >= least, low, high)[1]
    if read(high, most_rows, most_entries) > most:
        high = _edge(lambda n: read(n, most_rows, most_entries) > most, low, high)[0]
    corners: list[tuple[float, float, float]] = []
    for count in (low, high):
        small, large = (index_pages(count, entries, height) for entries in (most_entries, fewest_entries))
        fewest, many = count / most_rows, count / fewest_rows
        if charged.unseen >= 1.0 and order != _DAMPED:
            fewest = min(max(fewest, _pages_read(of_table, least - 1.0 - _shared(of_index, large))), many)
            many = min(many, _pages_read(of_table, most - _shared(of_index, small)))
            fewest, many = min(fewest, many), max(fewest, many)

        # the index has what the table leaves of the pages read: the fewer pages the one, the more the other
        def left(table: float, pages: float, small: float = small, large: float = large) -> float:
            rest = pages - (ceil(_shared(of_table, table) * charged.unseen) if charged.unseen > 0.0 else 0.0)
            return min(max(_pages_read(of_index, rest), small), large)

        corners += [(count, fewest, left(fewest, most)), (count, many, left(many, least - 1.0))]
        if charged.unseen <= 0.0:
            corners += [(count, fewest, left(fewest, least - 1.0)), (count, many, left(many, most))]
    return _Span(tuple(corners), height, order, found)


def _edge(reached: Callable[[float], bool], low: float, high: float) -> tuple[float, float]:
    """Where in between it is reached first: a place before, and one after it nearby."""
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        if reached(middle):
            high = middle
        else:
            low = middle
    return low, high


def _pages_read(fetched: float, distinct: float) -> float:
    """The pages of which so many fetches read that many different ones: the inverse of `_shared`."""
    if distinct >= fetched:
        return _MOST_PAGES
    if distinct <= fetched / 2.0:
        return max(distinct, 1.0)
    return distinct * fetched / (2.0 * (fetched - distinct))


def _shared(fetched: float, pages: float) -> float:
    """index_pages_fetched while the cache holds all pages."""
    distinct = 2.0 * pages * fetched / (2.0 * pages + fetched)
    return pages if distinct >= pages else float(ceil(distinct))


def tuples_at(height: int, shape: RowShape) -> tuple[float, float]:
    """Tuples that a B-tree of so many levels below its root holds, for wide keys half full up to narrow ones full."""
    if height == 0:
        return 1.0, shape.full_leaf
    return _LEAST_FANOUT**height, _MOST_FANOUT**height * shape.full_leaf
