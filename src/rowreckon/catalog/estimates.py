"""What the planner itself answers about one relation or one join clause, asked by EXPLAIN without execution.

These stand in for the sampled values that a capture leaves out: selectivities and merge scan fractions were computed by
the server from its histograms and most common values, and only the resulting fractions are kept.
"""

from __future__ import annotations

from typing import Literal

from rowreckon.bounds import AttNum, Cost, Difference, Name, Oid, Rows, Share, Text, Width

from .parts import Fact

ScanMethod = Literal["cheapest", "seq_scan", "index_scan", "index_only_scan", "bitmap_scan"]


class ScanPath(Fact):
    """One way to scan the relation under its restrictions: the costs that EXPLAIN printed (two decimals).

    `asked` is the method that was left switched on; `node_type` what the planner then used. A method that does not
    apply is absent. Without parallelism.
    """

    asked: ScanMethod
    node_type: Name
    index: Name | None = None
    index_cond: Text | None = None
    filter: Text | None = None
    startup_cost: Cost
    total_cost: Cost


class Conjunct(Fact):
    """One restriction and the fraction of rows that the planner expects to pass it, about 12 digits."""

    condition: Text
    selectivity: Share


class RelationEstimate(Fact):
    """The planner's answer for `SELECT columns FROM relation alias WHERE restrictions`.

    `rows` is the unparameterised row estimate (rows, at least 1), `width` the bytes of the columns above the scan.
    `selectivity` is that of all restrictions together, before rounding to rows. `qual_cost` and `qual_startup_cost`
    count the restrictions' cost per row and once, in units of cpu_operator_cost. `left_out` names the conditions that
    can't be asked outside their query (parameters, subplans); if there are any, `rows` is an upper bound only.
    Unless `columns_complete` (a VERBOSE plan), more columns may be needed: `width` is then a lower bound, and an
    index-only scan may not do.
    """

    relation: Oid
    alias: Name
    columns: tuple[Text, ...] = ()
    columns_complete: bool = False
    restrictions: tuple[Conjunct, ...] = ()
    left_out: tuple[Text, ...] = ()
    rows: Rows
    tuples: Rows | None = None
    """The planner's row estimate of the whole relation, without restrictions (rows)."""
    width: Width
    selectivity: Share | None = None
    qual_cost: Difference | None = None
    qual_startup_cost: Difference | None = None
    paths: tuple[ScanPath, ...] = ()

    def path(self, asked: ScanMethod, index: str | None = None) -> ScanPath | None:
        """The way that was asked for, by index name where several were."""
        return next((p for p in self.paths if p.asked == asked and (index is None or p.index == index)), None)


class MergeScanFractions(Fact):
    """Fractions of each input that a merge join has read before its first and by its last match (mergejoinscansel)."""

    left_start: Share = 0.0
    left_end: Share = 1.0
    right_start: Share = 0.0
    right_end: Share = 1.0


class ClauseSide(Fact):
    """One side of a join clause: an attnum, or an expression as the plan prints it, and its statistics.

    `n_distinct` is the absolute number of distinct values in the whole relation as the planner takes it (values);
    `n_distinct_is_default` is true where it had nothing to go by. `first_mcv_freq` is 0 without most common values.
    """

    relation: Oid
    alias: Name
    attnum: AttNum | None = None
    expression: Text
    n_distinct: Rows | None = None
    n_distinct_is_default: bool = False
    first_mcv_freq: Share = 0.0
    null_frac: Share = 0.0
    unique: bool = False
    """Whether a unique index or constraint on this column alone makes every value distinct."""


class JoinClauseFacts(Fact):
    """What the planner computes from both sides' statistics for `left operator right`, both relations unfiltered.

    `selectivity` is the inner join's (rows = left rows x right rows x selectivity). `semi_selectivity` is the fraction
    of left rows with a match on the right, `semi_selectivity_turned` the converse. The fractions hold for a merge in
    ascending or descending order of this clause, nulls last. None where the server did not answer.
    """

    left: ClauseSide
    right: ClauseSide
    operator: Name
    can_hash: bool | None = None
    can_merge: bool | None = None
    procost: Cost = 1.0
    selectivity: Share | None = None
    semi_selectivity: Share | None = None
    semi_selectivity_turned: Share | None = None
    ascending: MergeScanFractions | None = None
    descending: MergeScanFractions | None = None


class JoinPairEstimate(Fact):
    """The planner's joint answer for two relations under their own restrictions and all clauses between them.

    Foreign keys and clauses on several columns enter here, which single clauses can't show. Rows of the join, and of
    the semi joins `left WHERE EXISTS right` and the converse.
    """

    left_alias: Name
    right_alias: Name
    clauses: tuple[Text, ...]
    left_rows: Rows
    right_rows: Rows
    rows: Rows
    selectivity: Share | None = None
    semi_rows: Rows | None = None
    semi_rows_turned: Rows | None = None
