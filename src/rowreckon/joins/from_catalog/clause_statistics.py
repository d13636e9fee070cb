"""A join clause's figures from column statistics, where the server was not asked about the clause itself.

That is the case where one side is no table: a function, a VALUES list, a common table expression, a subquery. The
planner then knows no statistics of that side and takes a default number of distinct values. A partitioned table has the
statistics of its whole tree.
Source: eqjoinsel_inner, eqjoinsel_semi and get_variable_numdistinct in utils/adt/selfuncs.c, releases 13 to 18.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from rowreckon.catalog.expression_statistics import expression_statistics
from rowreckon.cost import ColumnStatistics, eqjoinsel_inner, eqjoinsel_semi, get_variable_numdistinct
from rowreckon.cost.capabilities import counts_partition_tuples
from rowreckon.cost.selectivity import WHOLE_SCAN
from rowreckon.cost.units import clamp_row_est
from rowreckon.joins.facts.inputs import ClauseInput, KeyInput
from rowreckon.joins.facts.known_relation import statistics_of
from rowreckon.joins.facts.partitioned import PartitionedTable, known_table, pruned_table
from rowreckon.joins.facts.permitted_methods import can_hash, can_merge
from rowreckon.joins.from_catalog.computed_sides import DEFAULT_WIDTH, computed_key, key_of
from rowreckon.plan.condition_text import bare_expression
from rowreckon.plan.conditions import ColumnReference
from rowreckon.plan.tree import PlanTree, alias_of
from rowreckon.sql.questions import relations_named

if TYPE_CHECKING:
    from rowreckon.catalog.columns import Column
    from rowreckon.joins.facts.catalog_facts import CatalogFacts
    from rowreckon.joins.facts.clauses import JoinClause
    from rowreckon.joins.facts.known_relation import KnownRelation
    from rowreckon.joins.facts.sides import JoinFacts

_Key = tuple[KeyInput, ColumnStatistics]
_ALIKE = 0.01
"""By how much rows that the same statistics give may differ: what is printed was rounded (common practice, no source).
"""


def clause_by_statistics(clause: JoinClause, known: CatalogFacts, tree: PlanTree) -> ClauseInput | None:
    """The clause's figures, None where it is no equality of two plain columns or both sides have frequent values."""
    outer, inner = (_key_of(column, known, tree) for column in (clause.outer_column, clause.inner_column))
    return None if outer is None or inner is None else _figures(clause, outer, inner, known)


def clause_of_subqueries(
    given: ClauseInput | None, clause: JoinClause, facts: JoinFacts, known: CatalogFacts, tree: PlanTree
) -> ClauseInput | None:
    """A clause's figures where a subquery computes one of its sides, whose statistics are others than its table's; the
    `given` ones where none does."""
    outer = computed_key(clause.outer_column, facts.outer, known, tree)
    inner = computed_key(clause.inner_column, facts.inner, known, tree)
    if outer is None and inner is None:
        return given
    one = (
        outer
        or _key_of(clause.outer_column, known, tree)
        or _of_expression(clause.outer_alias, clause.outer_text, known)
    )
    two = (
        inner
        or _key_of(clause.inner_column, known, tree)
        or _of_expression(clause.inner_alias, clause.inner_text, known)
    )
    found = None if one is None or two is None else _figures(clause, one, two, known)
    if found is not None and given is not None:
        scan = given.scan
        return replace(found, calls=given.calls, scan=scan, can_hash=given.can_hash, can_merge=given.can_merge)
    if found is None and given is not None:
        left, right = given.outer if outer is None else outer[0], given.inner if inner is None else inner[0]
        return replace(given, outer=left, inner=right, selectivity=_told_by_rows(given, left, right, facts))
    return found


def key_of_table(reference: ColumnReference | None, known: CatalogFacts, tree: PlanTree) -> KeyInput | None:
    """A join column of a partitioned table, by the statistics of its whole tree; None where it is another's."""
    if reference is None or reference.table is None or known.by_alias(reference.table) is not None:
        return None
    table = known_table(reference.table, known, tree)
    found = _of_partitions(reference, table) if table is not None else None
    return None if found is None else found[0]


def clause_of_pruned(
    given: ClauseInput, clause: JoinClause, facts: JoinFacts, known: CatalogFacts, tree: PlanTree, query: str | None
) -> ClauseInput:
    """The clause's figures by the whole table's statistics, where all but one of its partitions were pruned: what the
    planner knows of a column above them is the table's. Else the `given` ones.

    The plan shows that partition as if the query had named it. Its text tells which of both it was, and without that,
    or where a view stands between, the rows that are expected of the join.
    Source: set_append_rel_size in optimizer/path/allpaths.c, examine_simple_variable in utils/adt/selfuncs.c.
    """
    if facts.kind != "Inner" or len(facts.clauses) != 1:
        return given
    outer, inner = (_of_pruned(column, known, query) for column in (clause.outer_column, clause.inner_column))
    if outer is None and inner is None:
        return given
    if not any(_is_named(key, known, query) for key in (outer, inner)) and _fits(given.selectivity, facts, given):
        return given
    one = outer or _key_of(clause.outer_column, known, tree)
    two = inner or _key_of(clause.inner_column, known, tree)
    if one is None or two is None:
        return given
    found = _figures(clause, one, two, known)
    if found is not None and not _fits(found.selectivity, facts, found):
        return given  # something else makes the difference
    told = facts.output_rows * facts.processes / max(_pairs(facts, one[0], two[0]), 1.0)
    share = min(told, 1.0) if found is None else found.selectivity
    # between which keys both sides meet was asked of the partition: that of the whole table is not known
    return replace(given, selectivity=share, scan=WHOLE_SCAN, outer=one[0], inner=two[0])


def _told_by_rows(given: ClauseInput, outer: KeyInput, inner: KeyInput, facts: JoinFacts) -> float:
    """The selectivity of a join both of whose sides have frequent values: which of them meet is not known, only what
    the plan expects of the join. Where that agrees with what the tables' own join was estimated at, so does this."""
    whole = replace(given, outer=outer, inner=inner)
    if facts.kind != "Inner" or len(facts.clauses) != 1 or _fits(given.selectivity, facts, whole):
        return given.selectivity
    return min(facts.output_rows * facts.processes / max(_pairs(facts, outer, inner), 1.0), 1.0)


def _fits(selectivity: float, facts: JoinFacts, clause: ClauseInput) -> bool:
    """Whether a selectivity gives the rows that the plan expects of the join."""
    rows = clamp_row_est(selectivity * _pairs(facts, clause.outer, clause.inner) / facts.processes)
    return abs(rows - facts.output_rows) <= max(0.5, _ALIKE * facts.output_rows)


def _pairs(facts: JoinFacts, outer: KeyInput, inner: KeyInput) -> float:
    rows = [
        key.relation_rows if side.parameterised else side.planner_rows * side.processes
        for side, key in ((facts.outer, outer), (facts.inner, inner))
    ]
    return rows[0] * rows[1]


def _of_pruned(reference: ColumnReference | None, known: CatalogFacts, query: str | None) -> _Key | None:
    """A column of the table whose one partition is left under an alias; None where it is no partition, or the query
    names the partition itself."""
    relation = known.by_alias(reference.table) if reference is not None else None
    table = pruned_table(relation, known) if relation is not None else None
    if reference is None or relation is None or table is None:
        return None
    if query is not None and relation.relation.name in relations_named(query):
        return None
    found = _of_partitions(reference, table)
    return None if found is None else (replace(found[0], of_whole=True), found[1])


def _is_named(key: _Key | None, known: CatalogFacts, query: str | None) -> bool:
    """Whether the query names the table whose one partition is left."""
    relation = known.by_alias(key[0].alias) if key is not None else None
    table = pruned_table(relation, known) if relation is not None else None
    return table is not None and query is not None and table.relation.name in relations_named(query)


def _key_of(reference: ColumnReference | None, known: CatalogFacts, tree: PlanTree) -> _Key | None:
    return None if reference is None else _key_input(reference, known, tree)


def _figures(clause: JoinClause, outer: _Key, inner: _Key, known: CatalogFacts) -> ClauseInput | None:
    (outer_key, outer_stats), (inner_key, inner_stats) = outer, inner
    if clause.operator != "=" or (outer_stats.mcv_freqs and inner_stats.mcv_freqs):
        return None
    hashable = all(k is None or k.hashable is not False for k in (_column(outer_key, known), _column(inner_key, known)))
    return ClauseInput(
        operator="=",
        selectivity=eqjoinsel_inner(outer_stats, inner_stats),
        semi=eqjoinsel_semi(outer_stats, inner_stats, inner_stats.rel_rows),
        turned_semi=eqjoinsel_semi(inner_stats, outer_stats, outer_stats.rel_rows),
        outer=outer_key,
        inner=inner_key,
        can_hash=hashable and can_hash(clause, known.abilities),
        can_merge=can_merge(clause, known.abilities),
        scan=WHOLE_SCAN,
        calls=1.0 + outer_key.calls + inner_key.calls,
    )


def _of_expression(alias: str | None, text: str, known: CatalogFacts) -> _Key | None:
    """An expression over one table that was scanned, by the statistics kept of it."""
    relation = known.by_alias(alias)
    if relation is None:
        return None
    row = expression_statistics(relation.relation, bare_expression(text, alias))
    statistics = ColumnStatistics(relation.size.tuples, relation.rows)
    if row is not None:
        statistics = replace(
            statistics, n_distinct=row.n_distinct, null_frac=row.null_frac, mcv_freqs=row.most_common_freqs
        )
    distinct, default = get_variable_numdistinct(statistics)
    return (
        KeyInput(
            alias=alias,
            text=known.spelled(alias, text),
            column=None,
            ndistinct=None if default else distinct,
            null_frac=statistics.null_frac,
            mcv_freq=statistics.mcv_freqs[0] if statistics.mcv_freqs else 0.0,
            relation_rows=relation.rows,
            relation_tuples=relation.size.tuples,
            width=int(row.avg_width) if row is not None else DEFAULT_WIDTH,
            calls=known.evaluated(text),
        ),
        statistics,
    )


def _key_input(
    reference: ColumnReference, known: CatalogFacts, tree: PlanTree
) -> tuple[KeyInput, ColumnStatistics] | None:
    relation = known.by_alias(reference.table)
    if relation is not None:
        return _of_relation(reference, relation)
    if reference.table is None:
        return None
    table = known_table(reference.table, known, tree)
    if table is not None:
        return _of_partitions(reference, table)
    scans = [n for n in tree.nodes if alias_of(n) == reference.table]
    if len(scans) != 1 or not scans[0].plan_rows:
        return None
    rows = clamp_row_est(float(scans[0].plan_rows))
    key, statistics = _key(reference, ColumnStatistics(rows, rows), rows, rows, int(scans[0].plan_width or 0))
    return replace(key, without_statistics=True), statistics


def _of_relation(reference: ColumnReference, relation: KnownRelation) -> tuple[KeyInput, ColumnStatistics] | None:
    column = relation.column(reference.column)
    if column is None:
        return None
    row = column.statistics_of(inherited=relation.relation.has_children)
    width = int(row.avg_width) if row is not None else max(column.type_length, 0) or 32
    statistics = statistics_of(relation, reference.column)
    return _key(reference, statistics, relation.rows, relation.size.tuples, width)


def _of_partitions(reference: ColumnReference, table: PartitionedTable) -> tuple[KeyInput, ColumnStatistics] | None:
    column = table.relation.column(reference.column)
    row = column.statistics_of(inherited=True) if column is not None else None
    if column is None:
        return None
    if row is None:
        statistics = ColumnStatistics(table.tuples, table.rows)
        return _key(reference, statistics, table.rows, table.tuples, max(column.type_length, 0) or 32)
    statistics = ColumnStatistics(
        table.tuples,
        table.rows,
        n_distinct=row.n_distinct,
        null_frac=row.null_frac,
        mcv_freqs=row.most_common_freqs,
        is_unique=table.proves_unique(column.attnum),
    )
    key, statistics = _key(reference, statistics, table.rows, table.tuples, int(row.avg_width))
    if row.n_distinct < 0.0 and not counts_partition_tuples(table.server_major):
        key = replace(key, share=-row.n_distinct)
    return key, statistics


def _key(
    reference: ColumnReference, statistics: ColumnStatistics, rows: float, tuples: float, width: int
) -> tuple[KeyInput, ColumnStatistics]:
    key = key_of(reference, statistics, rows, tuples, width)
    return replace(key, unique=statistics.is_unique), statistics


def _column(key: KeyInput, known: CatalogFacts) -> Column | None:
    relation = known.by_alias(key.alias)
    return relation.column(key.column) if relation is not None and key.column is not None else None
