"""How high a B-tree of so many pages is likely to be, where nobody has asked the planner."""

from __future__ import annotations

from math import ceil
from typing import Final

_PAGE: Final = 8192
_ROOM: Final = _PAGE - 24 - 16
"""What a page has for entries, without its header and special space (src/include/access/nbtree.h)."""
_FULL: Final = 0.7
"""BTREE_NONLEAF_FILLFACTOR."""
_ENTRY: Final = 8 + 4
"""An entry's header and its pointer in the page."""


def guessed_height(pages: int, key_width: float) -> int:
    """Levels above the leaves of a B-tree of so many pages whose separators are `key_width` bytes long."""
    entry = _ENTRY + 8 * ceil(max(key_width, 1) / 8)
    below = max(2, int(_ROOM * _FULL / entry))
    # one page is the index's own, and of the others one in so many is no leaf
    level, nodes = 0, max(1, ceil((pages - 1) * (1 - 1 / below)))
    while nodes > 1:
        level, nodes = level + 1, ceil(nodes / below)
    return level
