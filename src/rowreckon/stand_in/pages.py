"""The pages by which an empty file looks to the planner as a full one does.

Roots and levels of B-trees, the size of BRIN's map, GIN's counters.

All-zero pages are valid new ones, so a file's length needs no content; only what the planner reads is written.
Layouts: src/include/storage/bufpage.h, access/nbtree.h, access/brin_page.h, access/ginblock.h; the same from 13 to 18.
"""

from __future__ import annotations

import struct
from typing import Final

from .figures import GinCounters

PAGE: Final = 8192
"""The block size that stand-ins have (bytes)."""
_HEADER: Final = 24
_OPAQUE: Final = 16
_LEAF, _ROOT, _META = 1, 2, 8
_VERSION: Final = 4
"""PG_PAGE_LAYOUT_VERSION."""
_NORMAL: Final = 1
"""LP_NORMAL."""
_PIVOT: Final = 0x2000
"""INDEX_ALT_TID_MASK: the tuple is a separator key; with no attributes it stands for minus infinity."""
_TUPLE: Final = 8
_BTREE_MAGIC: Final = 0x053162
_BRIN_MAGIC: Final = 0xA8109CFA
_GIN_META: Final = 1 << 3
"""The flag GIN_META of the page's last two bytes (GinPageOpaqueData)."""
_REVMAP_ENTRIES: Final = (PAGE - _HEADER - 8) // 6
"""REVMAP_PAGE_MAXITEMS."""


def btree_pages(meta: bytes, leaf: bytes, height: int) -> dict[int, bytes]:
    """The pages of a B-tree with at most one leaf, by block number, so that it is `height` levels high above its leaf.

    `meta` is its first page; `leaf` its second, or nothing where it is empty. Needs height + 2 pages. Raises ValueError
    where the first page is no B-tree's.
    """
    if len(meta) != PAGE or struct.unpack_from("<I", meta, _HEADER)[0] != _BTREE_MAGIC:
        raise ValueError("no B-tree's first page")
    found: dict[int, bytes] = {1: _leaf(leaf, root=height == 0)}
    for level in range(1, height + 1):
        found[level + 1] = _internal(level, below=level, root=level == height)
    root = height + 1
    fresh = bytearray(meta)
    struct.pack_into("<4I", fresh, _HEADER + 8, root, height, root, height)
    found[0] = bytes(fresh)
    return found


def _leaf(page: bytes, *, root: bool) -> bytes:
    if len(page) != PAGE or not any(page):
        return _page(b"", 0, _LEAF | (_ROOT if root else 0))
    fresh = bytearray(page)
    (flags,) = struct.unpack_from("<H", fresh, PAGE - 4)
    struct.pack_into("<H", fresh, PAGE - 4, flags | _ROOT if root else flags & ~_ROOT)
    return bytes(fresh)


def _internal(level: int, *, below: int, root: bool) -> bytes:
    """A page with one downlink, to the page `below`, whose key is minus infinity."""
    link = struct.pack("<HHHH", below >> 16, below & 0xFFFF, 0, _PIVOT | _TUPLE)
    return _page(link, level, _ROOT if root else 0)


def _page(item: bytes, level: int, flags: int) -> bytes:
    special = PAGE - _OPAQUE
    upper = special - len(item)
    lower = _HEADER + (4 if item else 0)
    page = bytearray(PAGE)
    struct.pack_into("<QHHHHHHI", page, 0, 0, 0, 0, lower, upper, special, PAGE | _VERSION, 0)
    if item:
        struct.pack_into("<I", page, _HEADER, upper | _NORMAL << 15 | len(item) << 17)
        page[upper:special] = item
    struct.pack_into("<IIIHH", page, special, 0, 0, level, flags, 0)
    return bytes(page)


def shares_entries(meta: bytes) -> bool:
    """Whether rows with the same key share an entry of a B-tree (btm_allequalimage of its first page)."""
    return bool(meta[_HEADER + 40]) if len(meta) == PAGE else False


def brin_meta(meta: bytes, table_pages: int) -> bytes:
    """A BRIN index's first page with as many map pages as a table of this size needs. Raises ValueError."""
    magic, _, per_range = struct.unpack_from("<III", meta, _HEADER)
    if magic != _BRIN_MAGIC or per_range == 0:
        raise ValueError("no BRIN index's first page")
    ranges = -(-table_pages // per_range)
    fresh = bytearray(meta)
    struct.pack_into("<I", fresh, _HEADER + 12, max(1, -(-ranges // _REVMAP_ENTRIES)))
    return bytes(fresh)


def gin_meta(meta: bytes, counters: GinCounters) -> bytes:
    """A GIN index's first page with the source's counters in place of its own. Raises ValueError."""
    if len(meta) != PAGE or struct.unpack_from("<H", meta, PAGE - 2)[0] & _GIN_META == 0:
        raise ValueError("no GIN index's first page")
    fresh = bytearray(meta)
    struct.pack_into("<I", fresh, _HEADER + 12, counters.pending_pages)
    totals = (counters.total_pages, counters.entry_pages, counters.data_pages)
    struct.pack_into("<3I", fresh, _HEADER + 24, *totals)
    struct.pack_into("<q", fresh, _HEADER + 40, counters.entries)
    return bytes(fresh)
