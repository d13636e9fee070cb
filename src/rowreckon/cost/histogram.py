"""Inequalities by histogram, and the stretch of either input that a merge join reads.

Source: scalarineqsel, ineq_histogram_selectivity, mergejoinscansel, get_variable_range and convert_to_scalar in
utils/adt/selfuncs.c, releases 13 to 18. Values must compare as the server compares them; text is interpolated as
under the C collation. Not modelled: bytea and network addresses inside a histogram bin (the middle is taken).
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from rowreckon.cost.selectivity import (
    WHOLE_SCAN,
    ColumnStatistics,
    MergeScanSelectivity,
    get_variable_numdistinct,
)
from rowreckon.frozen import frozen


@frozen
class OrderedStatistics:
    """A column with its histogram bounds in ascending order (empty where there is none).

    `actual_min` and `actual_max` are the column's true ends where a B-tree index leads with it: the planner looks
    them up while it works on an end bin. None where there is no such index.
    """

    column: ColumnStatistics
    bounds: tuple[Any, ...] = ()
    actual_min: Any = None
    actual_max: Any = None

    def variable_range(self) -> tuple[Any, Any] | None:
        """Least and greatest value by the statistics, None where they don't tell."""
        values = list(self.bounds[:1]) + list(self.bounds[-1:])
        common = self.column.mcv_values
        if values or sum(self.column.mcv_freqs) + self.column.null_frac > 0.99999:
            values += common
        return (min(values), max(values)) if values else None


def scalarineqsel(
    statistics: OrderedStatistics, constant: Any, *, greater: bool = False, inclusive: bool = False
) -> float:
    """Selectivity of column < constant; `greater` makes it >, `inclusive` adds equality."""
    column = statistics.column
    common = 0.0
    matching = 0.0
    for value, freq in zip(column.mcv_values, column.mcv_freqs, strict=True):
        common += freq
        if value == constant:
            matching += freq if inclusive else 0.0
        elif (value > constant) == greater:
            matching += freq
    selectivity = 1.0 - column.null_frac - common
    share = _histogram_share(statistics, constant, greater, inclusive)
    selectivity *= 0.5 if share is None else share
    return min(max(selectivity + matching, 0.0), 1.0)


def mergejoinscansel(
    outer: OrderedStatistics | None,
    inner: OrderedStatistics | None,
    *,
    descending: bool = False,
    nulls_first: bool = False,
) -> MergeScanSelectivity:
    """The stretch of either input up to which a match is possible, by the first merge clause `outer = inner`.

    None stands for a side without statistics: both sides are then read whole. Only the shorter of the two ends is
    believed, and the later of the two starts, since one side always runs to its end.
    """
    outer_range = None if outer is None else outer.variable_range()
    inner_range = None if inner is None else inner.variable_range()
    if outer is None or inner is None or outer_range is None or inner_range is None:
        return WHOLE_SCAN
    outer_low, outer_high = outer_range[::-1] if descending else outer_range
    inner_low, inner_high = inner_range[::-1] if descending else inner_range
    outer_end = scalarineqsel(outer, inner_high, greater=descending, inclusive=True)
    inner_end = scalarineqsel(inner, outer_high, greater=descending, inclusive=True)
    if outer_end > inner_end:
        outer_end = 1.0
    elif outer_end < inner_end:
        inner_end = 1.0
    else:
        outer_end = inner_end = 1.0
    outer_start = scalarineqsel(outer, inner_low, greater=descending)
    inner_start = scalarineqsel(inner, outer_low, greater=descending)
    if outer_start < inner_start:
        outer_start = 0.0
    elif outer_start > inner_start:
        inner_start = 0.0
    else:
        outer_start = inner_start = 0.0
    if nulls_first:
        outer_start, outer_end = (min(x + outer.column.null_frac, 1.0) for x in (outer_start, outer_end))
        inner_start, inner_end = (min(x + inner.column.null_frac, 1.0) for x in (inner_start, inner_end))
    if outer_start >= outer_end:
        outer_start, outer_end = 0.0, 1.0
    if inner_start >= inner_end:
        inner_start, inner_end = 0.0, 1.0
    return MergeScanSelectivity(outer_start, outer_end, inner_start, inner_end)


def _histogram_share(statistics: OrderedStatistics, constant: Any, greater: bool, inclusive: bool) -> float | None:
    """Share of the values outside the MCV list for which the inequality holds; None without a histogram."""
    bounds = list(statistics.bounds)
    count = len(bounds)
    if count < 2:
        return None
    low, high, have_end = 0, count, False
    if count == 2:
        have_end = statistics.actual_min is not None and statistics.actual_max is not None
        if have_end:
            bounds[:] = [statistics.actual_min, statistics.actual_max]
    while low < high:
        probe = (low + high) // 2
        if count > 2 and probe == 0:
            have_end = statistics.actual_min is not None
            if have_end:
                bounds[0] = statistics.actual_min
        elif count > 2 and probe == count - 1:
            have_end = statistics.actual_max is not None
            if have_end:
                bounds[probe] = statistics.actual_max
        # the bound lies below the place sought: for > and >= where the operator does not hold for it
        below = bounds[probe] <= constant if inclusive != greater else bounds[probe] < constant
        if below:
            low = probe + 1
        else:
            high = probe
    if low <= 0:
        share = 0.0
    elif low >= count:
        share = 1.0
    else:
        share = _inside(statistics.column, bounds, low, constant, greater == inclusive)
    if greater:
        share = 1.0 - share
    cutoff = 0.0 if have_end else 0.01 / (count - 1)
    return min(max(share, cutoff), 1.0 - cutoff)


def _inside(column: ColumnStatistics, bounds: Sequence[Any], bin_: int, constant: Any, excludes_equal: bool) -> float:
    """Share of the histogram below a value in one of its bins; equal values count half a step in the first."""
    equal = 0.0
    if bin_ == 1 or excludes_equal:
        others = get_variable_numdistinct(column)[0] - len(column.mcv_freqs)
        if others > 1.0:
            equal = 1.0 / others
    part = _bin_fraction(constant, bounds[bin_ - 1], bounds[bin_])
    share = (bin_ - 1 + part) / (len(bounds) - 1)
    if bin_ == 1:
        share += equal * (1.0 - part)
    if excludes_equal:
        share -= equal
    return share


def _bin_fraction(value: Any, low: Any, high: Any) -> float:
    """Where in a bin a value lies, 0 to 1; the middle for types that have no scale."""
    if isinstance(value, str):
        scaled = _text_to_scalars(value.encode(), str(low).encode(), str(high).encode())
    else:
        numbers = (_to_scalar(value), _to_scalar(low), _to_scalar(high))
        if None in numbers:
            return 0.5
        scaled = numbers  # type: ignore[assignment]
    at, bottom, top = scaled
    if top <= bottom:
        return 0.5
    return min(max((at - bottom) / (top - bottom), 0.0), 1.0)


def _to_scalar(value: Any) -> float | None:
    if isinstance(value, (int, float, Decimal)):
        return float(value)
    if isinstance(value, datetime.datetime):
        return value.timestamp() if value.tzinfo else value.replace(tzinfo=datetime.UTC).timestamp()
    if isinstance(value, datetime.date):
        return float(value.toordinal())
    if isinstance(value, datetime.timedelta):
        return value.total_seconds()
    if isinstance(value, datetime.time):
        return value.hour * 3600.0 + value.minute * 60.0 + value.second + value.microsecond / 1e6
    return None


def _text_to_scalars(value: bytes, low: bytes, high: bytes) -> tuple[float, float, float]:
    """Text as numbers in a base that spans the characters of the bin's ends, common prefix dropped."""
    letters = low + high
    first, last = (min(letters), max(letters)) if letters else (0, 0)
    for start, end in (b"AZ", b"az", b"09"):
        if first <= end and last >= start:
            first, last = min(first, start), max(last, end)
    if last - first < 9:
        first, last = 32, 127
    shared = 0
    while shared < min(len(low), len(high), len(value)) and low[shared] == high[shared] == value[shared]:
        shared += 1
    return (
        _fraction(value[shared:], first, last),
        _fraction(low[shared:], first, last),
        _fraction(high[shared:], first, last),
    )


def _fraction(text: bytes, first: int, last: int) -> float:
    base = float(last - first + 1)
    number, denominator = 0.0, base
    for letter in text[:12]:
        digit = first - 1 if letter < first else last + 1 if letter > last else letter
        number += (digit - first) / denominator
        denominator *= base
    return number
