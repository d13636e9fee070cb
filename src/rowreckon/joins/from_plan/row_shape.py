"""How many rows fit a page of a relation, and how many entries a page of an index on it, as far as a plan tells.

A scan's `Plan Width` counts only the columns that are needed above it; where it may hand up whole rows, VERBOSE lists
all columns of the table in its `Output`, so that those which the width leaves out are known by number.
Source: use_physical_tlist in optimizer/plan/createplan.c; get_typavgwidth in utils/cache/lsyscache.c (32 bytes are
taken for a type of unknown width); access/htup_details.h and access/nbtree.h for the bytes around rows and entries.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil
from typing import NamedTuple

from rowreckon.cost.units import maxalign
from rowreckon.plan.conditions import parse_condition

_USABLE = 8168.0
_TUPLE_OVERHEAD = 28
_WIDEST_GUESS = 32.0
"""Bytes that the planner itself takes for a column of a type whose width it does not know."""
_UNSEEN_COLUMN = (0.0, 8.0, _WIDEST_GUESS)
_UNSEEN_BYTES = (0.0, 40.0, 200.0)
"""Bytes per row in columns of unknown number: none, some, many (common practice, no source). Many are they also where
the number is known: a single text may be as long, and a column's width is anything but what its neighbours' are.
"""
_PADDING = (0.0, 2.0, 4.0)
_LEAF_USABLE = 8152.0
_FILLED = (0.66, 0.9, 0.9)
"""Leaf pages split at random are two thirds full, as built nine tenths (BTREE_DEFAULT_FILLFACTOR)."""
_ENTRY_OVERHEAD = 12
_POINTER = 6


class RowShape(NamedTuple):
    """Rows and index entries per page: the fewest, the likely number, the most; and entries that a leaf can hold."""

    rows: tuple[float, float, float]
    entries: tuple[float, float, float]
    full_leaf: float


def row_shape(
    output: Sequence[str] | None,
    needed: Sequence[str],
    width: int,
    key_width: int,
    per_key: float,
    *,
    whole: bool,
    correlated: bool = False,
    index_only: bool = False,
) -> RowShape:
    """The shape of a relation whose scan puts out `output` at `width` bytes in the columns of `needed`.

    `whole` says that the scan may hand up whole rows; of an `index_only` scan whole entries, which hold all `width`
    bytes, while nothing is known of the rows. `key_width` bounds the bytes of an index key, `per_key` is how
    many rows share one on average: equal keys may be stored once (deduplicate_items), or may not. `correlated` says
    that far more may share one, as the planner multiplies the numbers of several columns.
    """
    rows = []
    unseen = _unseen(output, needed) if whole and output is not None else None
    for step in (2, 1, 0):
        known = unseen is not None and not index_only
        beyond = _UNSEEN_BYTES[step]
        if known:
            columns = (unseen or 0) * _UNSEEN_COLUMN[step]
            beyond = (max(columns, beyond) if step == 2 and unseen else columns) + _PADDING[step]
        rows.append(max(_USABLE // (_TUPLE_OVERHEAD + maxalign(int(width + beyond))), 1.0))
    shared = max(per_key, 1.0)
    more = unseen if index_only and unseen is not None else 0
    keys = [width + more * column for column in _UNSEEN_COLUMN] if index_only else [1.0, key_width, key_width]
    narrow, middle, widest = (float(_ENTRY_OVERHEAD + maxalign(max(int(key), 1))) for key in keys)
    once = (narrow + _POINTER * shared) / shared if shared >= 2.0 else narrow
    if correlated:
        once = float(_POINTER)
    likely = (middle + _POINTER * shared) / shared if shared >= 2.0 else middle
    entries = [max(_LEAF_USABLE * f // b, 2.0) for f, b in zip(_FILLED, (widest, likely, once), strict=True)]
    return RowShape((rows[0], rows[1], rows[2]), (entries[0], entries[1], entries[2]), _LEAF_USABLE // once)


def index_pages_of(tuples: float, width: int) -> float:
    """Pages of a newly built index whose columns take the given number of bytes."""
    return ceil(tuples / max(_LEAF_USABLE * _FILLED[1] // (_ENTRY_OVERHEAD + maxalign(width)), 1.0)) + 1.0


def _unseen(output: Sequence[str], needed: Sequence[str]) -> int:
    """How many columns of a whole row the width does not count."""
    names = {name for text in needed for name in _columns(text)}
    return sum(1 for column in output if column.replace('"', "") not in names)


def _columns(text: str) -> set[str]:
    """The columns in an expression; a column alone needs no grammar to be read."""
    if text.replace("_", "").replace(".", "").isalnum():
        return {text}
    return {str(column) for column in parse_condition(text).columns}
