"""Facts of a column: what pg_attribute declares and what pg_stats holds about its values.

Source: the PostgreSQL manual, "pg_stats" and "pg_attribute"; attstattarget is -1 for the default up to 16 and NULL
from 17, both read here as None.
"""

from __future__ import annotations

from pydantic import Field

from rowreckon.bounds import (
    AttNum,
    AttNums,
    Correlation,
    Counter,
    Distinct,
    Freqs,
    Name,
    Rows,
    Share,
    Text,
    Whole,
    Width,
)

from .parts import Fact


class ColumnStatistics(Fact):
    """One row of pg_stats. `inherited` rows describe the relation with its children, as the planner takes a parent.

    `n_distinct` as stored: above 0 a count of values, below 0 minus the fraction of rows. `most_common_freqs` are
    fractions of all rows, descending. The values themselves stay None unless they were asked for.
    """

    inherited: bool = False
    null_frac: Share
    avg_width: Width
    n_distinct: Distinct
    correlation: Correlation | None = None
    most_common_freqs: Freqs = ()
    n_histogram: Counter = 0
    """Number of histogram bounds (one more than there are bins), 0 without a histogram."""
    elem_count_average: Rows | None = None
    """Average number of distinct elements of an array column, for = ANY(column)."""
    most_common_vals: tuple[Text, ...] | None = None
    histogram_bounds: tuple[Text, ...] | None = None

    @property
    def n_mcv(self) -> int:
        """Number of most common values kept."""
        return len(self.most_common_freqs)

    @property
    def first_mcv_freq(self) -> float:
        """Frequency of the most common value, 0 where none is kept (as the hash join's cost takes it)."""
        return self.most_common_freqs[0] if self.most_common_freqs else 0.0


class Column(Fact):
    """A column of a relation. `statistics_target` is None for default_statistics_target, 0 for none at all.

    `hashable` and `mergejoinable` say what `=` of this type with itself permits (pg_operator.oprcanhash, oprcanmerge;
    for arrays and composites of their elements); None where no `=` exists or it could not be decided.
    """

    attnum: AttNum
    name: Name
    type: Name
    typmod: Whole = -1
    type_length: AttNum = -1
    """pg_type.typlen: bytes of a fixed-length type, -1 for a varlena."""
    not_null: bool = False
    statistics_target: Whole | None = None
    n_distinct_override: Distinct | None = None
    n_distinct_inherited_override: Distinct | None = None
    hashable: bool | None = None
    mergejoinable: bool | None = None
    statistics: tuple[ColumnStatistics, ...] = ()
    statistics_missing: Text | None = None
    """Why `statistics` is empty: rights, row security, target 0, never analyzed; None when it is not."""
    readable: bool = True
    """Whether the role may read the column, without which pg_stats hides it."""

    def statistics_of(self, *, inherited: bool) -> ColumnStatistics | None:
        """The row for the relation alone, or for the relation with its children."""
        return next((s for s in self.statistics if s.inherited == inherited), None)


class ExtendedStatistics(Fact):
    """A statistics object (CREATE STATISTICS). `kinds` are ndistinct, dependencies, mcv, expressions.

    `columns` are attnums, `expressions` texts. The two `Group` lists name their members by attnum (negative: the
    n-th expression). `readable` is False where pg_stats_ext hides the data from this role.
    """

    schema_: Name = Field(alias="schema")
    name: Name
    kinds: tuple[Name, ...]
    columns: AttNums
    expressions: tuple[Text, ...] = ()
    statistics_target: Whole | None = None
    built: bool = False
    """Whether ANALYZE has filled it since it was created, as far as this role may see."""
    n_distinct: tuple[NDistinctGroup, ...] = ()
    dependencies: tuple[Dependency, ...] = ()
    most_common_freqs: Freqs = ()
    expression_statistics: tuple[ExpressionStatistics, ...] = ()
    definition: Text


class NDistinctGroup(Fact):
    """Number of distinct combinations of some columns; below 0 as in `ColumnStatistics.n_distinct`."""

    columns: AttNums
    n_distinct: Distinct


class Dependency(Fact):
    """Degree to which the values of `determinant` fix the value of `dependent`."""

    determinant: AttNums
    dependent: AttNum
    degree: Share


class ExpressionStatistics(Fact):
    """Statistics of an expression, kept by a statistics object or by an expression index."""

    expression: Text
    statistics: ColumnStatistics


ExtendedStatistics.model_rebuild()
