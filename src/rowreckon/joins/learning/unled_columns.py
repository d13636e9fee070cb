"""Columns that lead no index: had they, a nested loop would have been taken in place of a hash join.

The planner knew all its indexes when it chose. Where even the dearest search of a B-tree led by a join's column, page
by page from the disk, would have made a nested loop cheaper than the join taken, there is no such index of the whole
table. One with a predicate may be, which serves a query that asks for more; and one that another column leads.
What a search would have cost hangs on how many rows have a value, which other plans bound (see `hashed_keys`).
Source: match_clause_to_index and check_index_predicates in optimizer/path/indxpath.c, add_path in
optimizer/util/pathnode.c; releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

from rowreckon.cost import STD_FUZZ_FACTOR, CostSettings
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.joins.facts.output_texts import is_column
from rowreckon.joins.facts.sides import Aliases, JoinFacts, Side, join_facts
from rowreckon.joins.facts.wanted_above import fetched_fraction
from rowreckon.joins.from_plan.inner_sizes import range_quals_of
from rowreckon.joins.from_plan.own_conditions import own_conditions
from rowreckon.joins.learning.table_scans import Reading
from rowreckon.joins.ways.unseen_index import SEARCHED_INNER, SEARCHED_OUTER, dearest_search, least_descents
from rowreckon.learned.facts import ColumnName, Source, UnledFact, relation_name
from rowreckon.plan.nodes import IndexScanNode, ScanNode


class UnledEvidence(NamedTuple):
    """A column whose values would have been searched for, had a search cost less than `cost` (planner cost, under these
    settings); `conditions` are those of its table in the plan that tells."""

    column: ColumnName
    conditions: frozenset[str]
    cost: float
    settings: CostSettings
    source: Source


def unled_in(reading: Reading) -> Iterator[UnledEvidence]:
    """What the choices of a plan tell of the columns that its joins compare."""
    settings = reading.settings
    if not (reading.settings_told and settings.enable_nestloop and settings.enable_indexscan):
        return
    tree = reading.reckoned.tree
    aliases = Aliases(tree)
    for number in tree.joins():
        taken = tree.nodes[number].node_type
        if taken not in ("Hash Join", "Nested Loop") or fetched_fraction(tree, number) < 1.0:
            continue  # a merge join may be taken for its order, and what a LIMIT cuts off for how soon it starts
        facts = join_facts(reading.reckoned, number, aliases)
        if len(facts.clauses) != 1 or facts.workers or facts.scale is None:
            continue
        for kinds, side, driver in (
            (SEARCHED_INNER, facts.inner, facts.outer),
            (SEARCHED_OUTER, facts.outer, facts.inner),
        ):
            if taken == "Nested Loop" and side is facts.outer:
                continue  # of what drives the loop taken another order of the tables says little
            column = _column(reading.reckoned, facts, side) if facts.kind in kinds else None
            asked, cost = _asked(reading.reckoned, facts, side), _left(reading, facts, side, driver)
            if column is not None and asked is not None and cost > dearest_search(settings, 1.0):
                source = Source(reading.plan, f"choice of a {taken.lower()}", reading.seen_at)
                yield UnledEvidence(column, asked, cost, settings, source)


def _left(reading: Reading, facts: JoinFacts, side: Side, driver: Side) -> float:
    """What one search at least costs, as the loop was no cheaper than the join taken; 0 where that is not told."""
    tree = reading.reckoned.tree
    printed, driven = tree.nodes[facts.node].total_cost, tree.nodes[driver.node].total_cost
    if printed is None or driven is None or side.processes != 1.0 or driver.processes != 1.0:
        return 0.0
    put_out = reading.settings.cpu_tuple_cost * max(facts.output_rows, driver.planner_rows)
    left = float(printed) / STD_FUZZ_FACTOR - float(driven) - put_out
    return left / max(driver.planner_rows, 1.0)


def _asked(reckoned: ReckonedTree, facts: JoinFacts, side: Side) -> frozenset[str] | None:
    """What a side asks of its table beside the join: nothing where an index is searched by the join alone."""
    node = reckoned.tree.nodes[side.node]
    if isinstance(node, IndexScanNode) and not node.filter and side.parameterised:
        return frozenset() if range_quals_of(reckoned, facts) == 0 else None
    return own_conditions(reckoned, side)


def _column(reckoned: ReckonedTree, facts: JoinFacts, side: Side) -> ColumnName | None:
    """The column of the table that a side scans by itself, where the one clause equates it as it is."""
    node, (clause,) = reckoned.tree.nodes[side.node], facts.clauses
    inner = side is facts.inner
    column = clause.inner_column if inner else clause.outer_column
    text = clause.inner_text if inner else clause.outer_text
    if not isinstance(node, ScanNode) or side.scan != side.node or column is None or clause.operator != "=":
        return None
    relation = relation_name(node.schema_name, node.relation_name)
    # an index on the column serves no expression of it
    return ColumnName(relation, column.column) if relation is not None and is_column(text) else None


def unled_facts(
    evidence: Iterable[UnledEvidence], led: frozenset[ColumnName], per_value: Callable[[ColumnName], float]
) -> dict[ColumnName, tuple[UnledFact, ...]]:
    """The columns that lead no index; none of those by which a plan searches one (`led`). `per_value` tells how many
    rows share a value of a column at most."""
    found: dict[ColumnName, dict[frozenset[str], UnledFact]] = {}
    for one in sorted(evidence, key=lambda each: (each.column, sorted(each.conditions), each.source.order)):
        most = per_value(one.column)
        if one.column not in led and dearest_search(one.settings, most) <= one.cost:
            fact = UnledFact(one.conditions, least_descents(one.settings, one.cost, most), one.source)
            found.setdefault(one.column, {}).setdefault(one.conditions, fact)
    return {column: tuple(by.values()) for column, by in found.items()}
