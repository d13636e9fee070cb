"""What a server expects of comparisons with an integer column: inputs of the costs that are recomputed.

An audit reads such shares off the plan. Source: scalarineqsel, ineq_histogram_selectivity, mergejoinscansel,
get_variable_range and var_eq_non_const in utils/adt/selfuncs.c, releases 13 to 18; test_selectivity.py holds the
inequalities to what servers expect.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rowreckon.cost import WHOLE_SCAN, ColumnStatistics, get_variable_numdistinct
from rowreckon.cost.selectivity import MergeScanSelectivity

from .common_values import ValueStatistics


@dataclass(frozen=True)
class OrderedStatistics:
    """A column with its histogram bounds in ascending order (empty where there is none).

    `actual_min` and `actual_max` are the column's true ends where a B-tree index leads with it: the planner looks
    them up while it works on an end bin. None where there is no such index.
    """

    column: ValueStatistics
    bounds: tuple[int, ...] = ()
    actual_min: int | None = None
    actual_max: int | None = None

    def variable_range(self) -> tuple[int, int] | None:
        """Least and greatest value by the statistics, None where they don't tell."""
        values = list(self.bounds[:1]) + list(self.bounds[-1:])
        if values or sum(self.column.mcv_freqs) + self.column.null_frac > 0.99999:
            values += self.column.mcv_values
        return (min(values), max(values)) if values else None


def scalarineqsel(
    statistics: OrderedStatistics, constant: int, *, greater: bool = False, inclusive: bool = False
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


def mergejoinscansel(outer: OrderedStatistics, inner: OrderedStatistics) -> MergeScanSelectivity:
    """The stretch of either input up to which a match is possible, by the first merge clause `outer = inner`.

    Only the shorter of the two ends is believed, and the later of the two starts: one side always runs to its end.
    """
    outer_range, inner_range = outer.variable_range(), inner.variable_range()
    if outer_range is None or inner_range is None:
        return WHOLE_SCAN
    (outer_low, outer_high), (inner_low, inner_high) = outer_range, inner_range
    outer_end = scalarineqsel(outer, inner_high, inclusive=True)
    inner_end = scalarineqsel(inner, outer_high, inclusive=True)
    if outer_end > inner_end:
        outer_end = 1.0
    elif outer_end < inner_end:
        inner_end = 1.0
    else:
        outer_end = inner_end = 1.0
    outer_start = scalarineqsel(outer, inner_low)
    inner_start = scalarineqsel(inner, outer_low)
    if outer_start < inner_start:
        outer_start = 0.0
    elif outer_start > inner_start:
        inner_start = 0.0
    else:
        outer_start = inner_start = 0.0
    if outer_start >= outer_end:
        outer_start, outer_end = 0.0, 1.0
    if inner_start >= inner_end:
        inner_start, inner_end = 0.0, 1.0
    return MergeScanSelectivity(outer_start, outer_end, inner_start, inner_end)


def _histogram_share(statistics: OrderedStatistics, constant: int, greater: bool, inclusive: bool) -> float | None:
    """Share of the values outside the MCV list for which the inequality holds; None without a histogram."""
    bounds = list(statistics.bounds)
    count = len(bounds)
    if count < 2:
        return None
    low, high, have_end = 0, count, False
    least, greatest = statistics.actual_min, statistics.actual_max
    if count == 2 and least is not None and greatest is not None:
        have_end = True
        bounds = [least, greatest]
    while low < high:
        probe = (low + high) // 2
        if count > 2 and probe == 0:
            have_end = least is not None
            bounds[0] = bounds[0] if least is None else least
        elif count > 2 and probe == count - 1:
            have_end = greatest is not None
            bounds[probe] = bounds[probe] if greatest is None else greatest
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


def _inside(column: ColumnStatistics, bounds: Sequence[int], bin_: int, constant: int, excludes_equal: bool) -> float:
    """Share of the histogram below a value in one of its bins; equal values count half a step in the first."""
    equal = 0.0
    if bin_ == 1 or excludes_equal:
        others = get_variable_numdistinct(column)[0] - len(column.mcv_freqs)
        if others > 1.0:
            equal = 1.0 / others
    low, high = bounds[bin_ - 1], bounds[bin_]
    part = 0.5 if high <= low else min(max((constant - low) / (high - low), 0.0), 1.0)
    share = (bin_ - 1 + part) / (len(bounds) - 1)
    if bin_ == 1:
        share += equal * (1.0 - part)
    if excludes_equal:
        share -= equal
    return share


def var_eq_non_const(column: ColumnStatistics) -> float:
    """Selectivity of column = a value not known while planning, of an analysed column."""
    if column.is_unique and column.rel_tuples >= 1.0:
        return 1.0 / column.rel_tuples
    share = (1.0 - column.null_frac) / max(get_variable_numdistinct(column)[0], 1.0)
    return min(share, column.mcv_freqs[0]) if column.mcv_freqs else share
