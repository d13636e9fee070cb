"""Rounding, sizes and constants that every cost function shares.

Source: clamp_row_est, relation_byte_size and page_size in optimizer/path/costsize.c, c.h (MAXALIGN) and
access/htup_details.h, the same in releases 13 to 18. Holds for servers with the default block size of 8 kB and
8-byte alignment.
"""

from __future__ import annotations

import struct
from math import ceil, isnan, log

BLCKSZ = 8192
"""Bytes in a page."""

DISABLE_COST = 1.0e10
"""Planner cost added for a disabled path type up to release 17, and for an oversized hash bucket in all."""

DEFAULT_NUM_DISTINCT = 200.0
"""Distinct values assumed where no statistics tell."""

DEFAULT_INEQ_SEL = 0.3333333333333333
"""Selectivity assumed for an inequality where no statistics tell."""

DEFAULT_RANGE_INEQ_SEL = 0.005
"""Selectivity assumed for a range where no statistics tell."""

_MAXIMUM_ROWCOUNT = 1e100
_LN2 = 0.693147180559945


def clamp_row_est(rows: float) -> float:
    """Force an estimate to a whole number of rows, at least 1 (ties to the even number)."""
    if rows <= 1.0:
        return 1.0
    if rows > _MAXIMUM_ROWCOUNT or isnan(rows):
        return _MAXIMUM_ROWCOUNT
    return float(round(rows))


def rint(value: float) -> float:
    """Round to the nearest whole number, ties to the even one, as C's rint does."""
    return float(round(value))


def float4(number: float) -> float:
    """The value as pg_statistic holds it, in single precision: 0.45 is 0.449999988…."""
    return float(struct.unpack("f", struct.pack("f", number))[0])


def log2(value: float) -> float:
    """Logarithm to base 2 with the planner's own constant for ln 2."""
    return log(value) / _LN2


def maxalign(size: int) -> int:
    """Round a size in bytes up to a multiple of eight."""
    return (size + 7) & ~7


def relation_byte_size(rows: float, width: int) -> float:
    """Bytes that `rows` of this `width` (bytes) take in a sort, a tuplestore or a batch file."""
    return rows * (((width + 7) & ~7) + 24)


def page_size(rows: float, width: int) -> float:
    """Pages that `rows` of this `width` (bytes) take."""
    return float(ceil(relation_byte_size(rows, width) / BLCKSZ))
