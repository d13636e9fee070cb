"""What a server expects of an equality whose two sides keep most common values: inputs of the costs recomputed.

An audit knows how frequent such values are, not which; it reads off the plan what a join puts out. Source: eqjoinsel in
utils/adt/selfuncs.c, releases 13 to 18; test_selectivity.py holds both functions to what servers expect.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from rowreckon import cost
from rowreckon.cost import ColumnStatistics, get_variable_numdistinct
from rowreckon.cost.units import float4
from rowreckon.frozen import frozen


@frozen
class ValueStatistics(ColumnStatistics):
    """A column's statistics with its most common values, each distinct, in the order of their frequencies."""

    mcv_values: tuple[int, ...] = ()


def eqjoinsel_inner(left: ValueStatistics, right: ValueStatistics) -> float:
    """Selectivity of `left = right` among all pairs of rows of two tables."""
    if not (left.mcv_values and right.mcv_values):
        return cost.eqjoinsel_inner(left, right)
    nd1, _ = get_variable_numdistinct(left)
    nd2, _ = get_variable_numdistinct(right)
    matches = _matches(left.mcv_values, right.mcv_values)
    # the server multiplies two single-precision numbers, in single precision
    product = _probability(sum(float4(left.mcv_freqs[i] * right.mcv_freqs[j]) for i, j in matches.items()))
    match1, unmatch1 = _split(left.mcv_freqs, matches.keys())
    match2, unmatch2 = _split(right.mcv_freqs, set(matches.values()))
    other1 = _probability(1.0 - left.null_frac - match1 - unmatch1)
    other2 = _probability(1.0 - right.null_frac - match2 - unmatch2)
    found, count1, count2 = len(matches), len(left.mcv_freqs), len(right.mcv_freqs)
    total1 = total2 = product
    if nd2 > count2:
        total1 += unmatch1 * other2 / (nd2 - count2)
    if nd2 > found:
        total1 += other1 * (other2 + unmatch2) / (nd2 - found)
    if nd1 > count1:
        total2 += unmatch2 * other1 / (nd1 - count1)
    if nd1 > found:
        total2 += other2 * (other1 + unmatch1) / (nd1 - found)
    return _probability(min(total1, total2))


def eqjoinsel_semi(outer: ValueStatistics, inner: ValueStatistics, inner_rows: float) -> float:
    """Share of the outer rows that find a match in the inner relation of `inner_rows` rows."""
    if not (outer.mcv_values and inner.mcv_values):
        return cost.eqjoinsel_semi(outer, inner, inner_rows)
    nd1, default1 = get_variable_numdistinct(outer)
    nd2, default2 = get_variable_numdistinct(inner)
    for rows in (inner.rel_rows, inner_rows):
        if nd2 >= rows:
            nd2, default2 = rows, False
    matches = _matches(outer.mcv_values, inner.mcv_values[: int(min(len(inner.mcv_values), nd2))])
    matched, _ = _split(outer.mcv_freqs, matches.keys())
    nd1 -= len(matches)
    nd2 -= len(matches)
    rest = 0.5 if default1 or default2 else 1.0 if nd1 <= nd2 or nd2 < 0.0 else nd2 / nd1
    share = matched + rest * _probability(1.0 - matched - outer.null_frac)
    return _probability(min(share, inner_rows * eqjoinsel_inner(outer, inner)))


def _matches(left: Sequence[int], right: Sequence[int]) -> dict[int, int]:
    """Positions of equal values, left to right."""
    places = {value: place for place, value in enumerate(right)}
    return {i: places[value] for i, value in enumerate(left) if value in places}


def _split(freqs: Sequence[float], chosen: Collection[int]) -> tuple[float, float]:
    """Summed frequencies of the chosen positions and of the rest."""
    inside = sum(freq for position, freq in enumerate(freqs) if position in chosen)
    return _probability(inside), _probability(sum(freqs) - inside)


def _probability(number: float) -> float:
    return min(max(number, 0.0), 1.0)
