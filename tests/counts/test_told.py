"""A total is told no more exactly than the plan's rounding allows."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from rowreckon.counts.interval import Interval, actual_interval


def test_a_scan_that_three_processes_share_is_told_as_large_as_the_table() -> None:
    """340,000 rows print as 113,333 in 3 loops up to 17 (explain.c rounds the average): 339,999 is no fact."""
    assert actual_interval(113_333, 3, decimals=False).told() == 340_000


def test_what_is_exact_stays_exact() -> None:
    """One loop is printed as it was counted."""
    assert actual_interval(45_224, 1, decimals=False).told() == 45_224
    assert Interval(233, 235).told() == 234
    assert Interval(0, 0).told() == 0
    assert Interval(7, math.inf).told() == 7


@given(st.integers(0, 10**9), st.integers(1, 5_000), st.booleans())
def test_what_is_told_lies_within_the_interval(total: int, loops: int, decimals: bool) -> None:
    """Of every total that a server may print, by any number of loops."""
    average = total / loops
    printed = round(average, 2) if decimals else float(round(average))
    interval = actual_interval(printed, loops, decimals=decimals)

    assert interval.low <= interval.told() <= interval.high
