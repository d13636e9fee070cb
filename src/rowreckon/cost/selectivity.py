"""The selectivities that join costs rest on, from statistics given as plain values.

Source: get_variable_numdistinct, eqjoinsel, estimate_num_groups and estimate_hash_bucket_stats in
utils/adt/selfuncs.c, compute_semi_anti_join_factors in optimizer/path/costsize.c; releases 13 to 18.
Not modelled: estimates that a foreign key makes (the caller knows the key), and operators other than equality.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from math import ceil
from typing import NamedTuple

from rowreckon.cost.units import DEFAULT_NUM_DISTINCT, clamp_row_est, float4
from rowreckon.frozen import frozen


class SemiAntiJoinFactors(NamedTuple):
    """Share of the outer rows that find a match, and matches per outer row that finds one (at least 1)."""

    outer_match_frac: float
    match_count: float


class MergeScanSelectivity(NamedTuple):
    """Where in either input a merge join's matching starts and ends, as fractions of its rows."""

    outer_start: float = 0.0
    outer_end: float = 1.0
    inner_start: float = 0.0
    inner_end: float = 1.0


WHOLE_SCAN = MergeScanSelectivity()
"""Both inputs from end to end: full joins, and columns without statistics."""


class HashKey(NamedTuple):
    """An inner hash key's statistics.

    `ndistinct` is the column's distinct count in its whole table (None where only a default is known, as for the
    output of a subquery), `mcv_freq` the frequency of its most common value (0 without such statistics),
    `rel_rows` and `rel_tuples` the base relation's rows after its filter and before it.
    """

    ndistinct: float | None
    null_frac: float = 0.0
    mcv_freq: float = 0.0
    rel_rows: float = 0.0
    rel_tuples: float = 0.0


class GroupRelation(NamedTuple):
    """The grouping columns of one relation: distinct counts in the whole table (one figure for columns that share
    extended ndistinct statistics), the relation's rows after its filter and its tuples before it."""

    ndistinct: tuple[float, ...]
    rel_rows: float
    rel_tuples: float


@frozen
class ColumnStatistics:
    """One column's row of pg_stats, with its table's size.

    `n_distinct` is as pg_stats shows it: positive a count, negative a fraction of the rows, 0 unknown.
    `mcv_values` are hashable values that are equal exactly where the server's operator says so. `is_unique` says
    that a unique index without predicate stands on this column alone. `rel_tuples` and `rel_rows` are the base
    relation's tuples and its rows after the filter. Fractions are taken to single precision, as stored.
    """

    rel_tuples: float
    rel_rows: float
    n_distinct: float = 0.0
    null_frac: float = 0.0
    mcv_values: tuple[Hashable, ...] = ()
    mcv_freqs: tuple[float, ...] = ()
    is_unique: bool = False

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "n_distinct", float4(self.n_distinct))
        put(self, "null_frac", float4(self.null_frac))
        put(self, "mcv_freqs", tuple(float4(f) for f in self.mcv_freqs))

    def hash_key(self) -> HashKey:
        """These statistics as those of a hash join's inner key."""
        ndistinct, is_default = get_variable_numdistinct(self)
        first = self.mcv_freqs[0] if self.mcv_freqs else 0.0
        return HashKey(None if is_default else ndistinct, self.null_frac, first, self.rel_rows, self.rel_tuples)


def get_variable_numdistinct(column: ColumnStatistics) -> tuple[float, bool]:
    """Distinct values of a column in its whole table, and whether that is a mere default."""
    distinct = -1.0 * (1.0 - column.null_frac) if column.is_unique else column.n_distinct
    if distinct > 0.0:
        return clamp_row_est(distinct), False
    if column.rel_tuples <= 0.0:
        return DEFAULT_NUM_DISTINCT, True
    if distinct < 0.0:
        return clamp_row_est(-distinct * column.rel_tuples), False
    if column.rel_tuples < DEFAULT_NUM_DISTINCT:
        return clamp_row_est(column.rel_tuples), False
    return DEFAULT_NUM_DISTINCT, True


def estimate_hash_bucket_stats(key: HashKey, num_buckets: float) -> tuple[float, float]:
    """Fraction of the inner rows in an average bucket, and frequency of the most common key."""
    mcv_freq = key.mcv_freq
    if key.ndistinct is None:
        return max(0.1, mcv_freq), mcv_freq
    distinct = key.ndistinct
    average = (1.0 - key.null_frac) / distinct
    if key.rel_tuples > 0.0:
        distinct = clamp_row_est(distinct * (key.rel_rows / key.rel_tuples))
    fraction = 1.0 / num_buckets if distinct > num_buckets else 1.0 / distinct
    if average > 0.0 and mcv_freq > average:
        fraction *= mcv_freq / average
    return min(max(fraction, 1.0e-6), 1.0), mcv_freq


def estimate_num_groups(relations: Sequence[GroupRelation], input_rows: float) -> float:
    """Groups among `input_rows` rows of expressions over these relations' columns (relations with rows)."""
    input_rows = clamp_row_est(input_rows)
    groups = 1.0
    for relation in relations:
        tuples = relation.rel_tuples
        if tuples <= 0.0:
            continue
        distinct = 1.0
        for column in relation.ndistinct:
            distinct *= column
        most = max(relation.ndistinct, default=1.0)
        limit = tuples
        if len(relation.ndistinct) > 1:
            limit = min(max(tuples * 0.1, most), tuples)
        distinct = min(distinct, limit)
        if distinct > 0.0 and relation.rel_rows < tuples:
            distinct *= 1.0 - ((tuples - relation.rel_rows) / tuples) ** (tuples / distinct)
        groups *= clamp_row_est(distinct)
    return max(min(float(ceil(groups)), input_rows), 1.0)


def compute_semi_anti_join_factors(jselec: float, nselec: float, inner_rows: float) -> SemiAntiJoinFactors:
    """How a join that stops at the first match fares.

    `jselec` is the join clauses' selectivity as the planner asks for it in semi (or anti) mode, `nselec` their
    inner-join selectivity, `inner_rows` the inner *relation's* estimated rows. For a join that is only known to be
    unique on its inner side (inner and left joins), the planner answers the semi question with the inner-join
    selectivity, so that next to no outer row is taken to match: pass the same figure twice.
    """
    if jselec <= 0.0:
        return SemiAntiJoinFactors(jselec, 1.0)
    return SemiAntiJoinFactors(jselec, max(1.0, nselec * inner_rows / jselec))


def eqjoinsel_inner(left: ColumnStatistics, right: ColumnStatistics) -> float:
    """Selectivity of `left = right` among all pairs of rows of two tables."""
    nd1, _ = get_variable_numdistinct(left)
    nd2, _ = get_variable_numdistinct(right)
    if not (left.mcv_freqs and right.mcv_freqs and left.mcv_values and right.mcv_values):
        return _probability((1.0 - left.null_frac) * (1.0 - right.null_frac) / (nd1 if nd1 > nd2 else nd2))
    matches = _matches(left.mcv_values, right.mcv_values)
    product = 0.0
    for i, j in matches.items():
        # the server multiplies two single-precision numbers, in single precision
        product += float4(left.mcv_freqs[i] * right.mcv_freqs[j])
    product = _probability(product)
    taken = set(matches.values())
    match1, unmatch1 = _split(left.mcv_freqs, matches.keys())
    match2, unmatch2 = _split(right.mcv_freqs, taken)
    other1 = _probability(1.0 - left.null_frac - match1 - unmatch1)
    other2 = _probability(1.0 - right.null_frac - match2 - unmatch2)
    found, count1, count2 = len(matches), len(left.mcv_freqs), len(right.mcv_freqs)
    total1 = product
    if nd2 > count2:
        total1 += unmatch1 * other2 / (nd2 - count2)
    if nd2 > found:
        total1 += other1 * (other2 + unmatch2) / (nd2 - found)
    total2 = product
    if nd1 > count1:
        total2 += unmatch2 * other1 / (nd1 - count1)
    if nd1 > found:
        total2 += other2 * (other1 + unmatch1) / (nd1 - found)
    return _probability(min(total1, total2))


def eqjoinsel_semi(outer: ColumnStatistics, inner: ColumnStatistics, inner_rows: float) -> float:
    """Share of the outer rows that find a match in the inner relation of `inner_rows` rows.

    An anti join's selectivity in the planner's sense is the same figure; its rows are outer rows × (1 - it).
    """
    nd1, default1 = get_variable_numdistinct(outer)
    nd2, default2 = get_variable_numdistinct(inner)
    for rows in (inner.rel_rows, inner_rows):
        if nd2 >= rows:
            nd2, default2 = rows, False
    guess = default1 or default2
    if outer.mcv_freqs and inner.mcv_freqs and outer.mcv_values and inner.mcv_values:
        matches = _matches(outer.mcv_values, inner.mcv_values[: int(min(len(inner.mcv_values), nd2))])
        matched, _ = _split(outer.mcv_freqs, matches.keys())
        nd1 -= len(matches)
        nd2 -= len(matches)
        rest = 0.5 if guess else (1.0 if nd1 <= nd2 or nd2 < 0.0 else nd2 / nd1)
        share = matched + rest * _probability(1.0 - matched - outer.null_frac)
    else:
        rest = 0.5 if guess else (1.0 if nd1 <= nd2 or nd2 < 0.0 else nd2 / nd1)
        share = rest * (1.0 - outer.null_frac)
    return _probability(min(share, inner_rows * eqjoinsel_inner(outer, inner)))


def _matches(left: tuple[Hashable, ...], right: tuple[Hashable, ...]) -> dict[int, int]:
    """Positions of equal values, left to right; most common values are distinct."""
    places = {value: place for place, value in enumerate(right)}
    return {i: places[value] for i, value in enumerate(left) if value in places}


def _split(freqs: Sequence[float], chosen: object) -> tuple[float, float]:
    """Summed frequencies of the chosen positions and of the rest."""
    wanted = set(chosen)  # type: ignore[call-overload]
    inside = outside = 0.0
    for position, freq in enumerate(freqs):
        if position in wanted:
            inside += freq
        else:
            outside += freq
    return _probability(inside), _probability(outside)


def _probability(number: float) -> float:
    return min(max(number, 0.0), 1.0)
