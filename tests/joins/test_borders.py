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


def test_lead_lost_within_the_tolerance_is_found() -> None:
    """A server of 18 kept a nested loop at 33 rows (1,482.62 beside the hash join's 1,468.05), took the hash join from
    34 to 59 and the loop again from 60 on, where its rows are remembered (1,476.35 beside 1,470.60)."""
    loop = ((1.0, 1466.0), (33.0, 1482.62), (34.0, 1482.96), (59.0, 1491.52), (60.0, 1476.35), (200.0, 1482.4))
    hashed = ((1.0, 1465.4), (33.0, 1468.05), (34.0, 1468.14), (59.0, 1470.5), (60.0, 1470.6), (200.0, 1483.6))

    def lead(rows: float) -> Lead:
        costs: list[tuple[float, Method]] = [(_cost(loop, rows), "nested_loop"), (_cost(hashed, rows), "hash")]
        (least, method), (other, _) = sorted(costs)
        return Lead(method, least, other)

    def leader(rows: float) -> Method:
        return "hash" if _cost(loop, rows) > 1.01 * _cost(hashed, rows) else "nested_loop"

    rows = sounded([3.0], 200.0, lead)
    borders = find_borders(leader, rows, [leader(n) for n in rows])

    assert [(b.below, b.above, b.rows) for b in borders] == [
        ("nested_loop", "hash", 34.0),
        ("hash", "nested_loop", 60.0),
    ]
