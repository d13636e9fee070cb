"""Borders between the same leader: a nested loop that loses the lead for a while.

A live server of 18 priced an index of 2,000,000 rows in table order at 43,338 planner cost for 7,000 outer rows, where
it takes a hash join (42,871). What lies beyond is cost_index's own answer, which agrees with that to the cent: index
pages saturate (index_pages_fetched), so that the nested loop leads again.
"""

from __future__ import annotations

from itertools import pairwise
from math import exp, log

from rowreckon.document.audit import Method
from rowreckon.joins.ways.borders import Kink, Lead, find_borders, sounded

LOOP = ((1.0, 511.0), (800.0, 6963.0), (6992.0, 43302.44), (20000.0, 78975.0), (1e5, 28062.4), (8e5, 31426.83))
HASH = ((1.0, 42712.0), (800.0, 42731.0), (6992.0, 42870.32), (20000.0, 43163.0), (1e5, 44963.0), (8e5, 91965.0))


def _cost(curve: tuple[tuple[float, float], ...], rows: float) -> float:
    for (low, below), (high, above) in pairwise(curve):
        if rows <= high:
            way = log(rows / low) / log(high / low)
            return below * exp(way * log(above / below))
    return curve[-1][1]


def _leader(rows: float) -> Method:
    return "hash" if _cost(LOOP, rows) > 1.01 * _cost(HASH, rows) else "nested_loop"


def _lead(rows: float) -> Lead:
    loop, hashed = _cost(LOOP, rows), _cost(HASH, rows)
    return Lead("nested_loop", loop, hashed) if loop <= hashed else Lead("hash", hashed, loop)


def test_lead_lost_in_between_is_found() -> None:
    """The same method leads by far at both ends, and another one in the middle."""
    rows = sounded([32.0, 800.0], 8e5, _lead)
    borders = find_borders(_leader, rows, [_leader(n) for n in rows])

    assert [(b.below, b.above) for b in borders] == [("nested_loop", "hash"), ("hash", "nested_loop")]
    assert abs(borders[0].rows - 6992.0) <= 10.0


def test_lead_up_to_a_kink_is_found() -> None:
    """A hash table that outgrows memory costs several times as much from one row to the next."""

    def hashed(rows: float) -> float:
        return 9000.0 + 0.03 * rows if rows <= 8192 else 15000.0

    def loop(rows: float) -> float:
        return 1461.0 + 1.3 * rows

    def lead(rows: float) -> Lead:
        pair = (loop(rows), hashed(rows))
        return Lead("nested_loop", *pair) if pair[0] <= pair[1] else Lead("hash", pair[1], pair[0])

    def leader(rows: float) -> Method:
        return "nested_loop" if loop(rows) <= hashed(rows) else "hash"

    rows = sounded([1.0, 300.0, 5471.0], 1e4, lead, kinks=(Kink(8192.0, "hash"),))
    borders = find_borders(leader, rows, [leader(n) for n in rows])

    assert 8192.0 in rows
    assert [(b.below, b.above) for b in borders] == [("nested_loop", "hash"), ("hash", "nested_loop")]
    assert borders[1].rows == 8193.0
