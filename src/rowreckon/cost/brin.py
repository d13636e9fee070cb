"""What a BRIN index finds: whole ranges of pages, of which each holds at least one row that is looked for.

Source: brincostestimate in utils/adt/selfuncs.c, releases 13 to 18.
"""

from __future__ import annotations

from math import ceil

PAGES_PER_RANGE = 128
"""BRIN_DEFAULT_PAGES_PER_RANGE in access/brin.h."""
_UNCORRELATED = 1e-10


def brin_selectivity(relation_pages: float, pages_per_range: int, selectivity: float, correlation: float) -> float:
    """The share of a relation's tuples in the ranges that the index gives.

    `selectivity` is the share that its conditions keep, `correlation` the largest one of the columns that they restrict
    with their order in the table (its sign does not matter).
    """
    ranges = max(float(ceil(relation_pages / max(pages_per_range, 1))), 1.0)
    least = float(ceil(ranges * selectivity))
    read = ranges if abs(correlation) < _UNCORRELATED else min(least / abs(correlation), ranges)
    return min(max(read / ranges, 0.0), 1.0)
