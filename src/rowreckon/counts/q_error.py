"""The q-error: the factor between an estimate and an actual, whichever is larger.

Definition: Moerkotte, Neumann, Steidl, "Preventing Bad Plans by Bounding the Impact of Cardinality Estimation Errors",
PVLDB 2(1), 2009: max(e/a, a/e) for positive e and a. PostgreSQL never estimates below one row, so both sides are
clamped to at least 1 here; a q-error is never below 1.
"""

from __future__ import annotations

import math
from typing import Literal

from rowreckon.counts.interval import Interval

Direction = Literal["under", "over", "even"]


def q_error(estimate: float, actual: float) -> float:
    """max(e/a, a/e) of two row counts, each counted as at least 1 row."""
    e = estimate if estimate > 1.0 else 1.0
    a = actual if actual > 1.0 else 1.0
    return e / a if e >= a else a / e


def ratio_interval(estimate: Interval, actual: Interval) -> Interval:
    """actual ÷ estimate between the extreme ends of both intervals, each end counted as at least 1 row."""
    least, most = estimate
    fewest, greatest = actual
    return Interval(
        (fewest if fewest > 1.0 else 1.0) / (most if most > 1.0 else 1.0),
        (greatest if greatest > 1.0 else 1.0) / (least if least > 1.0 else 1.0),
    )


def nearest_error(ratio: Interval) -> tuple[float, Direction]:
    """The error that remains between the nearest ends: (1, even) where the ratio may be 1."""
    low, high = ratio
    if low > 1.0:
        return low, "under"
    if high < 1.0:
        return (1.0 / high if high > 0 else math.inf), "over"
    return 1.0, "even"


def divide(ratio: Interval, by: Interval) -> Interval:
    """The ratio that remains when another is divided out; the interval only grows."""
    low = ratio.low / by.high if by.high > 0 else 0.0
    high = ratio.high / by.low if by.low > 0 else math.inf
    return Interval(low, high)


def multiply(one: Interval, other: Interval) -> Interval:
    """The product of two ratios."""
    return Interval(one.low * other.low, one.high * other.high)
