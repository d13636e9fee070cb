"""A join clause and its keys from captured catalog facts."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.cost import MergeScanSelectivity
from rowreckon.cost.selectivity import WHOLE_SCAN
from rowreckon.joins.facts.inputs import ClauseInput, KeyInput
from rowreckon.joins.facts.permitted_methods import can_hash, can_merge
from rowreckon.joins.from_catalog.clause_statistics import (
    key_of_table,
)
from rowreckon.joins.from_catalog.givers import counted_rows

if TYPE_CHECKING:
    from rowreckon.catalog.facts import ClauseSide, MergeScanFractions
    from rowreckon.counts.reckon import ReckonedTree
    from rowreckon.joins.facts.catalog_facts import CatalogFacts
    from rowreckon.joins.facts.clauses import JoinClause
    from rowreckon.plan.conditions import ColumnReference


def clause_input(clause: JoinClause, known: CatalogFacts, reckoned: ReckonedTree) -> ClauseInput | None:
    found = known.clause(clause)
    if found is None:
        return None
    facts, turned = found
    left, right = (
        key_of_table(column, known, reckoned.tree) or _key(side, known, reckoned)
        for side, column in zip((facts.left, facts.right), _columns_of(clause, turned), strict=True)
    )
    if facts.selectivity is None:
        return None
    scan = _scan(facts.ascending)
    given = ClauseInput(
        operator=facts.operator,
        selectivity=facts.selectivity,
        semi=facts.semi_selectivity,
        turned_semi=facts.semi_selectivity_turned,
        outer=left,
        inner=right,
        can_hash=can_hash(clause, known.abilities),
        can_merge=can_merge(clause, known.abilities),
        scan=scan,
        calls=facts.procost + left.calls + right.calls,
    )
    return given.turned() if turned else given


def _columns_of(clause: JoinClause, turned: bool) -> tuple[ColumnReference | None, ColumnReference | None]:
    """The clause's columns in the order of the catalog's sides."""
    columns = clause.outer_column, clause.inner_column
    return (columns[1], columns[0]) if turned else columns


def _key(side: ClauseSide, known: CatalogFacts, reckoned: ReckonedTree) -> KeyInput:
    relation = known.by_alias(side.alias)
    column = relation.relation.column(side.attnum) if relation is not None and side.attnum is not None else None
    row = column.statistics_of(inherited=False) or column.statistics_of(inherited=True) if column is not None else None
    fixed = column.type_length if column is not None and column.type_length > 0 else 32
    return KeyInput(
        alias=side.alias,
        text=f"{side.alias}.{column.name}" if column is not None else side.expression,
        column=column.name if column is not None else None,
        ndistinct=None if side.n_distinct_is_default else side.n_distinct,
        null_frac=side.null_frac,
        mcv_freq=side.first_mcv_freq,
        relation_rows=relation.rows if relation is not None else 0.0,
        relation_tuples=relation.size.tuples if relation is not None else 0.0,
        width=int(row.avg_width) if row is not None else fixed,
        unique=side.unique,
        relation_actual=counted_rows(reckoned, known, side.alias),
        calls=0.0 if column is not None else known.evaluated(side.expression),
        hashable=column.hashable if column is not None else None,
    )


def _scan(fractions: MergeScanFractions | None) -> MergeScanSelectivity:
    if fractions is None:
        return WHOLE_SCAN
    return MergeScanSelectivity(fractions.left_start, fractions.left_end, fractions.right_start, fractions.right_end)
