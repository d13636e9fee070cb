"""How large a B-tree comes out of CREATE INDEX: pages and height, from rows and keys, page by page as it is built.

Source: src/backend/access/nbtree/nbtsort.c (_bt_buildadd, _bt_load, _bt_uppershutdown), src/include/access/nbtree.h;
posting lists from 13 on.  The same from 13 to 18.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import ceil, fsum, prod
from typing import Final

from rowreckon.frozen import frozen

PAGE: Final = 8192
"""Bytes of a page, as servers are built unless told otherwise."""
_HEADER: Final = 24
_OPAQUE: Final = 16
_LINE: Final = 4
_TUPLE_HEADER: Final = 8
_WITH_NULLS: Final = 16
"""A tuple's header with its map of nulls, which has a bit for each of the 32 keys that there may be, aligned."""
_ALIGN: Final = 8
_ROW_POINTER: Final = 6
_LONGEST_POSTING: Final = PAGE // 10 // _ALIGN * _ALIGN - _LINE
"""A tenth of a page, aligned, without its line pointer."""
LEAF_FILL: Final = 90
"""BTREE_DEFAULT_FILLFACTOR."""
_INNER_FILL: Final = 70
"""BTREE_NONLEAF_FILLFACTOR."""
_ROOM: Final = PAGE - _HEADER - _OPAQUE - _LINE
"""Bytes for entries: the first line pointer is kept for the page's high key."""
MOST_ROWS: Final = 2.0**32 * (PAGE / (_TUPLE_HEADER + _LINE))
"""A file has at most 2^32 pages (MaxBlockNumber), and no entry is smaller than its header."""
MOST_PAGES: Final = 2**32 - 1
_SAMPLE: Final = 4000
"""Entries that are laid out one by one; more of the same take as many pages each."""


@frozen
class KeyColumn:
    """A column of an index: its type's alignment (1, 2, 4, 8 bytes), its average width, the share of nulls."""

    align: int
    width: float
    null_share: float = 0.0
    fixed: bool = True


@frozen
class Keys:
    """What the rows of an index hold. `columns` are all, the first `leading` of them search keys.

    `distinct` is how many different keys there are, `common` the shares of the commonest. `posting` says whether rows
    with one key share an entry.
    """

    columns: tuple[KeyColumn, ...]
    leading: int
    distinct: float
    common: tuple[float, ...] = ()
    posting: bool = True


@frozen
class TreeSize:
    """Pages of the file, and levels above the leaves."""

    pages: int
    height: int


def btree_size(rows: float, keys: Keys, fill: int = LEAF_FILL) -> TreeSize:
    """The size of a B-tree over so many rows, its leaves filled to `fill` percent.

    Raises ValueError for more rows than an index can hold.
    """
    if not rows <= MOST_ROWS:
        raise ValueError("more rows than an index can hold")
    if rows < 1:
        return TreeSize(1, 0)
    plain = _tuple_size(keys.columns)
    leaves = fsum(times * _pages(entries, plain, fill) for entries, times in _runs(rows, keys))
    level = max(1, ceil(leaves - 1e-6))
    pages, height = 1 + level, 0
    upper = _entries_of_page(_tuple_size(keys.columns[: keys.leading]))
    while level > 1:
        level = ceil(level / upper)
        pages, height = pages + level, height + 1
    if pages > MOST_PAGES:
        raise ValueError("more pages than a file can have")
    return TreeSize(pages, height)


def _runs(rows: float, keys: Keys) -> Iterator[tuple[list[int], float]]:
    """Sizes of the leaves' entries (bytes) in their order, and how often they come again."""
    size = _tuple_size(keys.columns)
    if not keys.posting:
        yield _some(size), rows / _SAMPLE
        return
    common = [share for share in keys.common if share > 0]
    for share in common:
        yield from _of_one_key(size, rows * share, 1.0)
    left = rows * max(0.0, 1.0 - fsum(common))
    kinds = min(max(keys.distinct - len(common), 1.0), left)
    if left >= 1:
        yield from _of_one_key(size, left / kinds, kinds)


def _of_one_key(size: int, rows: float, kinds: float) -> Iterator[tuple[list[int], float]]:
    """The entries of `kinds` keys with so many rows each: full posting lists, and one with the rest."""
    most = (_LONGEST_POSTING // _ALIGN * _ALIGN - size) // _ROW_POINTER
    if most < 2:
        yield _some(size), rows * kinds / _SAMPLE
        return
    if rows < 2:
        # of keys with one row or two on average, some have a posting list of two
        yield _some(size), kinds * (2 - max(rows, 1.0)) / _SAMPLE
        yield _some(_aligned(size + 2 * _ROW_POINTER)), kinds * (max(rows, 1.0) - 1) / _SAMPLE
        return
    whole, rest = divmod(round(rows), most)
    full = _aligned(size + most * _ROW_POINTER)
    last = [_aligned(size + rest * _ROW_POINTER) if rest > 1 else size] if rest else []
    if whole > _SAMPLE:
        yield _some(full), whole * kinds / _SAMPLE
        return
    again = max(1, _SAMPLE // (whole + 1))
    yield [*[full] * whole, *last] * again, kinds / again


def _some(size: int) -> list[int]:
    return [size] * _SAMPLE


def _pages(entries: Sequence[int], plain: int, fill: int) -> float:
    """How many leaves these entries take: a page is closed when it is full enough, and its last entry moves over.

    It stays behind as the page's high key, of the `plain` size, for which a posting list makes room.
    """
    spare = PAGE * (100 - fill) // 100
    pages, free, count = 0, _ROOM, 0
    last = 0
    for size in entries:
        told = free - _LINE
        if count and (told < size + _ALIGN or (told + max(0, last - plain) < spare and count > 1)):
            pages, free, count = pages + 1, _ROOM - last - _LINE, 1
        free, count, last = free - size - _LINE, count + 1, size
    return pages + (_ROOM - free) / (_ROOM - spare)


def _entries_of_page(size: int) -> int:
    """How many entries an inner page takes."""
    return max(2, (PAGE * _INNER_FILL // 100 - _HEADER - _OPAQUE) // (size + _LINE))


def _tuple_size(columns: Sequence[KeyColumn]) -> int:
    """Bytes of a tuple with these columns, aligned."""
    whole = _size_of(columns, _TUPLE_HEADER)
    without = 1.0 - prod(1.0 - column.null_share for column in columns)
    if without <= 0.0:
        return whole
    # some rows have a map of nulls, and lack what is null
    kept = [KeyColumn(c.align, c.width * (1.0 - c.null_share / without), fixed=c.fixed) for c in columns]
    return _aligned(whole * (1.0 - without) + _size_of(kept, _WITH_NULLS) * without)


def _size_of(columns: Sequence[KeyColumn], header: int) -> int:
    at = float(header)
    for column in columns:
        # a short text has one byte before it, and starts anywhere
        if column.fixed and column.width > 0:
            at = ceil(at / column.align) * column.align
        at += column.width
    return _aligned(at)


def _aligned(size: float) -> int:
    return ceil(size / _ALIGN - 1e-9) * _ALIGN
