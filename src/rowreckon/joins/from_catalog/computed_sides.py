"""Columns of a side that a subquery computes, and what the planner knows of their values.

A LIMIT hands on its table's statistics, taken of the rows that it lets through. A grouping hands none on, and neither
does UNION ALL; where it groups by one column alone, that one repeats no value. A common table expression is such a
query as well, of which its scan may let a part through. Source: examine_simple_variable and get_variable_numdistinct in
utils/adt/selfuncs.c, set_subquery_size_estimates in optimizer/path/costsize.c, releases 13 to 18.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from rowreckon.cost import ColumnStatistics, get_variable_numdistinct
from rowreckon.cost.capabilities import knows_cte_columns, knows_grouped_values
from rowreckon.cost.units import clamp_row_est
from rowreckon.frozen import frozen
from rowreckon.joins.facts.inputs import KeyInput
from rowreckon.joins.facts.known_relation import statistics_of
from rowreckon.plan.nodes import (
    AggregateNode,
    AppendNode,
    JoinNode,
    LimitNode,
    SetOpNode,
    SubqueryScanNode,
    WindowAggNode,
)
from rowreckon.plan.partitions import partitioned_alias
from rowreckon.plan.tree import PlanTree, alias_of

if TYPE_CHECKING:
    from rowreckon.joins.facts.catalog_facts import CatalogFacts
    from rowreckon.joins.facts.sides import Side
    from rowreckon.plan.conditions import ColumnReference

DEFAULT_WIDTH = 32
"""What the planner takes for a column of no known width (get_typavgwidth in utils/cache/lsyscache.c)."""


@frozen
class _Computing:
    """What stands between a side's top and the scan below: the rows that the uppermost node hands up (planner rows),
    the scan, and whether the column's statistics are handed on, or it repeats no value. `kept` are the rows that a scan
    of a common table expression lets through."""

    rows: float
    scan: int | None
    hands_on: bool
    unique: bool
    kept: float | None = None


def is_computed(tree: PlanTree, side: Side) -> bool:
    """Whether a side is the whole of a subquery's output, so that its rows are those of one relation."""
    at: int | None = side.node
    while at is not None and not isinstance(tree.nodes[at], JoinNode):
        if isinstance(tree.nodes[at], (SubqueryScanNode, LimitNode, AggregateNode)) or _ends(tree, at):
            return True
        if _is_union(tree, at):
            return True
        at = tree.only_input(at)
    return False


def key_of(
    reference: ColumnReference, statistics: ColumnStatistics, rows: float, tuples: float, width: int
) -> KeyInput:
    """A join column with its statistics, in a relation of `rows` estimated and `tuples` stored; `width` in bytes."""
    distinct, default = get_variable_numdistinct(statistics)
    return KeyInput(
        alias=reference.table,
        text=f"{reference.table}.{reference.column}",
        column=reference.column,
        ndistinct=None if default else distinct,
        null_frac=statistics.null_frac,
        mcv_freq=statistics.mcv_freqs[0] if statistics.mcv_freqs else 0.0,
        relation_rows=rows,
        relation_tuples=tuples,
        width=width,
    )


def computed_key(
    reference: ColumnReference | None, side: Side, known: CatalogFacts, tree: PlanTree
) -> tuple[KeyInput, ColumnStatistics] | None:
    """A side's join column where a subquery computes it; None where a scan gives it as it is stored."""
    computing = _computing(reference, side, known, tree) if reference is not None else None
    if reference is None or computing is None:
        return None
    rows = clamp_row_est(computing.rows)
    statistics = _handed_on(reference, computing, known) or ColumnStatistics(rows, rows)
    unique = computing.unique and knows_grouped_values(known.server_major)
    statistics = replace(statistics, rel_tuples=rows, rel_rows=computing.kept or rows, is_unique=unique)
    if computing.kept is not None:
        return key_of(reference, statistics, computing.kept, rows, _width(reference, computing, known)), statistics
    moving = 1.0 - statistics.null_frac if unique else max(-statistics.n_distinct, 0.0)
    key = replace(
        key_of(reference, statistics, rows, rows, _width(reference, computing, known)),
        without_statistics=statistics.n_distinct == 0.0 and not unique,
        share=moving if moving > 0.0 else None,
        counted_anew=True,
    )
    return key, statistics


def _computing(reference: ColumnReference, side: Side, known: CatalogFacts, tree: PlanTree) -> _Computing | None:
    union = _union_of(tree, side.node)
    if union is not None:
        return _Computing(float(tree.nodes[union].plan_rows or 1.0), None, hands_on=False, unique=False)
    named = [n for n in tree.subtree(side.node) if alias_of(tree.nodes[n]) == reference.table]
    if len(named) != 1:
        return None
    at = named[0]
    column = f"{reference.table}.{reference.column}"
    if isinstance(tree.nodes[at], SubqueryScanNode):
        return _of_query(tree, tree.only_input(at), reference)
    if tree.nodes[at].node_type == "CTE Scan":
        return _of_cte(tree, at, reference) if knows_cte_columns(known.server_major) else None
    scan, uppermost, hands_on, unique = at, -1, True, False
    while at > side.node:
        at = tree.parent[at]
        node = tree.nodes[at]
        if isinstance(node, LimitNode):
            uppermost = at
        elif isinstance(node, AggregateNode) or _ends(tree, at):
            uppermost, hands_on = at, False
            unique = isinstance(node, AggregateNode) and node.group_key == (column,)
    if uppermost < 0:
        return None
    return _Computing(float(tree.nodes[uppermost].plan_rows or 1.0), scan, hands_on, unique)


def _of_cte(tree: PlanTree, number: int, reference: ColumnReference) -> _Computing | None:
    """A scan of a common table expression, by the query that computes it; None where that unites others, as a recursion
    does, or is not in the plan."""
    name = getattr(tree.nodes[number], "cte_name", None)
    made = next((n for n, node in enumerate(tree.nodes) if node.subplan_name == f"CTE {name}"), None)
    if made is None or isinstance(tree.nodes[made], (AppendNode, SetOpNode)):
        return None
    if tree.nodes[made].node_type == "Recursive Union":
        return None
    return replace(_of_query(tree, made, reference), kept=float(tree.nodes[number].plan_rows or 1.0))


def _of_query(tree: PlanTree, at: int | None, reference: ColumnReference) -> _Computing:
    """A query whose uppermost node is given: its column is taken for the one of the same name below, where that is one
    table's alone."""
    rows = 1.0 if at is None else float(tree.nodes[at].plan_rows or 1.0)
    while at is not None:
        node = tree.nodes[at]
        if isinstance(node, AggregateNode):
            keys = node.group_key or ()
            unique = len(keys) == 1 and keys[0].rsplit(".", 1)[-1] == reference.column
            return _Computing(rows, None, hands_on=False, unique=unique)
        if _ends(tree, at) or isinstance(node, JoinNode):
            break
        if alias_of(node) is not None:
            return _Computing(rows, at, hands_on=True, unique=False)
        at = tree.only_input(at)
    return _Computing(rows, None, hands_on=False, unique=False)


def _union_of(tree: PlanTree, number: int) -> int | None:
    """The Append of a UNION ALL that a side is, sorted or hashed perhaps; its columns carry the first input's names."""
    at: int | None = number
    while at is not None and not isinstance(tree.nodes[at], AppendNode):
        at = tree.only_input(at)
    return at if at is not None and _is_union(tree, at) else None


def _is_union(tree: PlanTree, number: int) -> bool:
    """Whether an Append is that of a UNION ALL of tables: neither of one table's partitions nor of parts of a join."""
    if not isinstance(tree.nodes[number], AppendNode) or partitioned_alias(tree, number) is not None:
        return False
    return not any(isinstance(tree.nodes[at], JoinNode) for at in tree.subtree(number))


def _ends(tree: PlanTree, number: int) -> bool:
    """Whether a node computes its rows anew, so that no statistics are known of them."""
    node = tree.nodes[number]
    return isinstance(node, (SetOpNode, WindowAggNode)) or node.node_type == "Unique"


def _handed_on(reference: ColumnReference, computing: _Computing, known: CatalogFacts) -> ColumnStatistics | None:
    relation = known.relation_of(computing.scan) if computing.scan is not None and computing.hands_on else None
    if relation is None or relation.column(reference.column) is None:
        return None
    return statistics_of(relation, reference.column)


def _width(reference: ColumnReference, computing: _Computing, known: CatalogFacts) -> int:
    relation = known.relation_of(computing.scan) if computing.scan is not None else None
    column = relation.column(reference.column) if relation is not None else None
    if column is None:
        return DEFAULT_WIDTH
    row = column.statistics_of(inherited=False)
    return int(row.avg_width) if row is not None else max(column.type_length, 0) or DEFAULT_WIDTH
