"""Run times with and without a change, and what they say: faster, slower, or the same within the noise.

The runs of both sides take turns, so that a machine that gets busy slows both. A difference counts if the medians
differ by a tenth (common practice, no source) and the test of Mann and Whitney (Annals of Mathematical Statistics 18,
1947) tells the sides apart at the usual level of 5 percent: three runs a side must all agree, with more runs some may
not.

That nothing changed is a claim as well: it holds only where the same test excludes that either side takes a fifth more.
"""

from __future__ import annotations

import math
from statistics import median
from typing import Literal

from rowreckon.document.slowed import WORTH_SAYING
from rowreckon.frozen import frozen

Time = Literal["same", "faster", "slower", "not_measured"]

LEAST_RATIO = 1.1
"""Ratio of the medians from which on a difference is called one."""
LEAST_Z = 1.96
"""Standard deviations by which the share of pairs in which one side is faster must differ from a half."""
LEAST_ONE_SIDED_Z = 1.645
"""The same for a test to one side."""
LEAST_MS = 0.5
"""Difference of the medians below which none is called, ms."""


@frozen
class Times:
    """Execution times of one side, ms; `limit_ms` is set where a run was cancelled at that limit."""

    ms: tuple[float, ...] = ()
    limit_ms: float | None = None

    @property
    def median(self) -> float | None:
        """The median, None where a run did not end or none was made."""
        return median(self.ms) if self.ms and self.limit_ms is None else None


NO_TIMES = Times()
"""Nothing was run."""


@frozen
class Comparison:
    """`gain_low` to `gain_high` is the time that the change brings back, ms (negative: it costs time).

    `time` goes by the medians; it is `called` where the runs tell the sides apart, or the medians are alike. `settled`
    is False where more runs would tell more: the medians differ but the runs of both sides overlap, or they are alike
    but do not exclude that one side takes a fifth more.
    """

    time: Time
    before_ms: float | None = None
    after_ms: float | None = None
    gain_ms: float = 0.0
    gain_low: float = 0.0
    gain_high: float = 0.0
    called: bool = True
    settled: bool = True

    @property
    def within_noise(self) -> bool:
        """Whether `time` is what was seen rather than what is shown."""
        return not (self.called and self.settled)


def compare(before: Times, after: Times) -> Comparison:
    """What the runs say. A side that was cancelled at its limit is slower than one that ended."""
    if before.limit_ms is not None or after.limit_ms is not None:
        return _cancelled(before, after)
    one, other = before.median, after.median
    if one is None or other is None:
        return Comparison("not_measured", one, other)
    gain = one - other
    low, high = _spread(before.ms, after.ms)
    ratio = max(one, other) / min(one, other) if min(one, other) > 0 else math.inf
    way: Time = "faster" if gain > 0 else "slower"
    if ratio < LEAST_RATIO or (ratio < WORTH_SAYING and abs(gain) < LEAST_MS):
        return Comparison("same", one, other, gain, low, high, settled=_alike(before.ms, after.ms))
    if abs(gain) < LEAST_MS:
        return Comparison(way, one, other, gain, low, high, called=False)
    apart = abs(z_score(before.ms, after.ms)) >= LEAST_Z and (z_score(before.ms, after.ms) > 0) == (gain > 0)
    if not apart:
        return Comparison(way, one, other, gain, low, high, called=False, settled=False)
    if gain > 0:
        return Comparison(way, one, other, gain, max(low, 0.0), high)
    return Comparison(way, one, other, gain, low, min(high, 0.0))


def _cancelled(before: Times, after: Times) -> Comparison:
    if before.limit_ms is not None and after.limit_ms is not None:
        return Comparison("not_measured")
    if before.limit_ms is not None:
        ended = after.median
        if ended is None:
            return Comparison("not_measured")
        gain = before.limit_ms - ended
        return Comparison("faster" if gain > 0 else "not_measured", None, ended, gain, gain, gain)
    began, limit = before.median, after.limit_ms
    if began is None or limit is None or limit <= began:
        return Comparison("not_measured", began, None)
    return Comparison("slower", began, None, began - limit, began - limit, began - limit)


def share_faster(before: tuple[float, ...], after: tuple[float, ...]) -> float:
    """Share of the pairs in which the run with the change was the faster one; ties count half."""
    wins = sum((a < b) + 0.5 * (a == b) for b in before for a in after)
    return wins / (len(before) * len(after))


def z_score(before: tuple[float, ...], after: tuple[float, ...]) -> float:
    """How far that share lies from a half, in its standard deviations if nothing had changed (Mann and Whitney's
    variance, nm(n + m + 1) / 12 for the number of pairs); positive: faster with the change."""
    n, m = len(before), len(after)
    return (share_faster(before, after) - 0.5) * math.sqrt(12 * n * m / (n + m + 1))


def _alike(before: tuple[float, ...], after: tuple[float, ...]) -> bool:
    """Whether the runs exclude, at the usual level, that either side takes a fifth (and half a millisecond) more.

    Two one-sided tests (Schuirmann, Journal of Pharmacokinetics and Biopharmaceutics 15, 1987), with the statistic
    above.
    """
    return _not_longer(before, after) and _not_longer(after, before)


def _not_longer(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    longer = tuple(max(ms * WORTH_SAYING, ms + LEAST_MS) for ms in one)
    return z_score(longer, other) >= LEAST_ONE_SIDED_Z


def _spread(before: tuple[float, ...], after: tuple[float, ...]) -> tuple[float, float]:
    """The gain between the quartiles that lie nearest and those that lie farthest."""
    return _quantile(before, 0.25) - _quantile(after, 0.75), _quantile(before, 0.75) - _quantile(after, 0.25)


def _quantile(values: tuple[float, ...], share: float) -> float:
    ordered = sorted(values)
    place = share * (len(ordered) - 1)
    lower = int(place)
    upper = min(lower + 1, len(ordered) - 1)
    return ordered[lower] + (ordered[upper] - ordered[lower]) * (place - lower)
