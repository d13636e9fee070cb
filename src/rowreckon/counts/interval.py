"""Intervals of row counts: what rounding and clamping leave of a printed number."""

from __future__ import annotations

import math
from typing import NamedTuple


class Interval(NamedTuple):
    """Rows from `low` to `high`, both included; `high` may be infinite."""

    low: float
    high: float

    def meets(self, other: Interval) -> bool:
        """Whether the two intervals have a number in common."""
        return self.low <= other.high and other.low <= self.high

    def intersect(self, other: Interval) -> Interval:
        """The common part; this interval itself where the two contradict each other."""
        if not self.meets(other):
            return self
        return Interval(max(self.low, other.low), min(self.high, other.high))

    def joined(self, other: Interval) -> Interval:
        """The shortest interval that holds both."""
        return Interval(min(self.low, other.low), max(self.high, other.high))

    def told(self) -> float:
        """The roundest number that it holds near its middle: 340,000 of 339,997 to 340,003; `low` without an end."""
        if math.isinf(self.high):
            return self.low
        middle = (self.low + self.high) / 2
        for digits in range(len(str(int(self.high))), 0, -1):
            step = math.pow(10, digits)
            rounded = round(middle / step) * step
            if self.low <= rounded <= self.high:
                return rounded
        return float(round(middle)) if self.low <= round(middle) <= self.high else middle

    def scaled(self, factor: float) -> Interval:
        """Both ends times a factor of at least 0."""
        return Interval(self.low * factor, self.high * factor)


def estimate_interval(plan_rows: float) -> Interval:
    """The unrounded estimates that print as `plan_rows`, rows per loop.

    PostgreSQL rounds to the nearest integer and clamps to at least 1 (clamp_row_est in costsize.c), so a printed 1
    means anything above 0 up to 1.5. A printed 0 (ModifyTable, bitmap combinations) is no estimate and stays 0.
    """
    if plan_rows <= 0:
        return Interval(0.0, 0.0)
    if plan_rows <= 1:
        return Interval(0.0, 1.5)
    return Interval(plan_rows - 0.5, plan_rows + 0.5)


def actual_interval(rows: float, loops: float, *, decimals: bool) -> Interval:
    """The totals, in rows, that print as `rows` per loop over `loops` loops.

    A single loop is printed exactly. Over several loops the average is rounded to a whole number up to 17 and to two
    decimals from 18 on (explain.c). Totals are whole numbers, so the ends are drawn in to the nearest ones.
    """
    if loops <= 1:
        return Interval(rows * loops, rows * loops)
    half = 0.005 if decimals else 0.5
    # The small slack keeps binary fractions from pushing a whole number out of its own interval.
    low = math.ceil((rows - half) * loops - 1e-6)
    high = math.floor((rows + half) * loops + 1e-6)
    return Interval(float(max(low, 0)), float(max(high, 0)))
