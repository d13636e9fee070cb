"""The selectivities that join costs rest on, from statistics given as plain values.

Source: get_variable_numdistinct, eqjoinsel, estimate_num_groups and estimate_hash_bucket_stats in
utils/adt/selfuncs.c, compute_semi_anti_join_factors in optimizer/path/costsize.c; releases 13 to 18.
Not modelled: most common values that both sides of an equality share (an audit knows their frequencies alone),
estimates that a foreign key makes (the caller knows the key), and operators other than equality.
"""

from __future__ import annotations

from collections.abc import Sequence
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
    `is_unique` says that a unique index without predicate stands on this column alone. `rel_tuples` and `rel_rows`
    are the base relation's tuples and its rows after the filter. Fractions are taken to single precision, as stored.
    """

    rel_tuples: float
    rel_rows: float
    n_distinct: float = 0.0
    null_frac: float = 0.0
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
    return _probability((1.0 - left.null_frac) * (1.0 - right.null_frac) / max(nd1, nd2))


def eqjoinsel_semi(outer: ColumnStatistics, inner: ColumnStatistics, inner_rows: float) -> float:
    """Share of the outer rows that find a match in the inner relation of `inner_rows` rows.

    An anti join's selectivity in the planner's sense is the same figure; its rows are outer rows × (1 - it).
    """
    nd1, default1 = get_variable_numdistinct(outer)
    nd2, default2 = get_variable_numdistinct(inner)
    for rows in (inner.rel_rows, inner_rows):
        if nd2 >= rows:
            nd2, default2 = rows, False
    matched = 0.5 if default1 or default2 else 1.0 if nd1 <= nd2 or nd2 < 0.0 else nd2 / nd1
    share = matched * (1.0 - outer.null_frac)
    return _probability(min(share, inner_rows * eqjoinsel_inner(outer, inner)))


def _probability(number: float) -> float:
    return min(max(number, 0.0), 1.0)
