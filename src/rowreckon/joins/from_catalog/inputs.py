"""A join's inputs from captured catalog facts: the best that a model can know without asking the planner again."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from rowreckon.joins.facts.inputs import TURNED_KIND, ClauseInput, JoinInput
from rowreckon.joins.facts.uniqueness import proves_unique
from rowreckon.joins.from_catalog.clause_inputs import clause_input
from rowreckon.joins.from_catalog.clause_statistics import (
    clause_by_statistics,
    clause_of_pruned,
    clause_of_subqueries,
)
from rowreckon.joins.from_catalog.equal_columns import NONE_EQUAL, EqualColumns
from rowreckon.joins.from_catalog.side_orders import orders_of_sides
from rowreckon.joins.from_catalog.sides import catalog_side
from rowreckon.joins.from_catalog.unasked_clauses import with_unasked
from rowreckon.joins.ways.parameter_values import proven_parameters
from rowreckon.plan.nodes import IndexScanNode

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rowreckon.joins.facts.catalog_facts import CatalogFacts
    from rowreckon.joins.facts.join_at_hand import JoinAtHand
    from rowreckon.joins.facts.sides import JoinFacts
    from rowreckon.joins.ways.lower_join import LowerJoin

_REVERSED = ("Right Semi", "Right Anti")


def catalog_input(
    case: JoinAtHand,
    known: CatalogFacts,
    below: Mapping[int, LowerJoin] = MappingProxyType({}),
    equal: EqualColumns = NONE_EQUAL,
    order: tuple[str, ...] = (),
    query: str | None = None,
) -> JoinInput | None:
    """The join in its executed order, or None where the catalog does not tell enough of it.

    `below` are the joins that it stands on, as they would have been priced at their actual rows; `equal` the columns
    that the plan's joins equate; `order` is the one in which the query wants the join's rows (empty: none),
    `query` its text.
    """
    reckoned, facts = case.reckoned, case.facts
    told: list[ClauseInput | None] = []
    for clause in facts.clauses:
        given = clause_input(clause, known, reckoned) or clause_by_statistics(clause, known, reckoned.tree)
        given = clause_of_subqueries(given, clause, facts, known, reckoned.tree)
        told.append(given and clause_of_pruned(given, clause, facts, known, reckoned.tree, query))
    clauses = with_unasked(case, known, told)
    if clauses is None:
        return None
    orders = orders_of_sides(facts, list(clauses), order)
    outer = catalog_side(case, facts.outer, known, [c.outer for c in clauses], below, equal, orders[0])
    inner = catalog_side(case, facts.inner, known, [c.inner for c in clauses], below, equal, orders[1])
    if outer is None or inner is None:
        return None
    scan = reckoned.tree.nodes[facts.inner.scan] if facts.inner.scan is not None else None
    only = isinstance(scan, IndexScanNode) and scan.node_type == "Index Only Scan"
    return JoinInput(
        turned=False,
        kind=facts.kind,
        outer=outer,
        inner=inner,
        clauses=clauses,
        unique=facts.inner_unique and facts.kind not in ("Semi", "Anti"),
        workers=facts.workers,
        processes=facts.processes,
        shared_hash=facts.shared_hash,
        total_table_pages=known.total_table_pages,
        output_rows=facts.output_rows,
        basis="catalog",
        match_frac=_match_frac(facts, known, turned=facts.kind in _REVERSED),
        executed_index=f"only:{scan.index_name}" if only and isinstance(scan, IndexScanNode) else None,
        parameters_came=proven_parameters(reckoned, facts, [c.outer for c in clauses]),
    )


def turned_input(join: JoinInput, facts: JoinFacts, known: CatalogFacts | None) -> JoinInput:
    """The same join with its sides exchanged."""
    clauses = tuple(c.turned() for c in join.clauses)
    kind = TURNED_KIND[join.kind]
    return JoinInput(
        turned=True,
        kind=kind,
        outer=join.inner,
        inner=join.outer,
        clauses=clauses,
        unique=kind not in ("Semi", "Anti") and join.outer.single and proves_unique(join.outer.relation, clauses),
        workers=join.workers,
        processes=join.processes,
        shared_hash=join.shared_hash,
        total_table_pages=join.total_table_pages,
        output_rows=join.output_rows,
        basis=join.basis,
        match_frac=_match_frac(facts, known, turned=facts.kind in _REVERSED) if known is not None else join.match_frac,
        executed_inner=join.turned_inner,
        useful_order=join.useful_order,
    )


def _match_frac(facts: JoinFacts, known: CatalogFacts, *, turned: bool) -> float | None:
    """Share of the outer (`turned`: the inner) side's relation with a match, all clauses and restrictions together."""
    outer = {c.outer_alias for c in facts.clauses}
    inner = {c.inner_alias for c in facts.clauses}
    if len(outer) != 1 or len(inner) != 1:
        return None
    one, other = next(iter(outer)), next(iter(inner))
    if turned:
        one, other = other, one
    for pair in known.catalog.join_pairs:
        if (pair.left_alias, pair.right_alias) == (one, other) and pair.semi_rows is not None and pair.left_rows:
            return min(pair.semi_rows / pair.left_rows, 1.0)
        if (
            (pair.left_alias, pair.right_alias) == (other, one)
            and pair.semi_rows_turned is not None
            and pair.right_rows
        ):
            return min(pair.semi_rows_turned / pair.right_rows, 1.0)
    return None
