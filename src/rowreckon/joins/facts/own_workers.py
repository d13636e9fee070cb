"""Joins and sides that fill a shared hash table: they have workers of their own, which may be fewer than the Gather's.

EXPLAIN prints a share of their rows, and only the Gather's workers; by which number it was divided follows from the
driving relation's own rows. Source: try_partial_hashjoin_path in optimizer/path/joinpath.c, initial_cost_hashjoin in
optimizer/path/costsize.c, releases 13 to 18.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from rowreckon.cost import parallel_divisor, partial_rows
from rowreckon.plan.nodes import HashNode, ScanNode

if TYPE_CHECKING:
    from rowreckon.cost import CostSettings
    from rowreckon.counts.reckon import ReckonedTree
    from rowreckon.joins.facts.catalog_facts import CatalogFacts
    from rowreckon.joins.facts.sides import JoinFacts, Side


def with_own_workers(
    settings: CostSettings, reckoned: ReckonedTree, facts: JoinFacts, known: CatalogFacts
) -> JoinFacts:
    """The facts of a join with the workers that it and its sides were planned with."""
    if facts.workers < 2 or not any(isinstance(n, HashNode) and n.parallel_aware for n in reckoned.tree.nodes):
        return facts
    outer = _side(settings, reckoned, facts, facts.outer, known)
    inner = _side(settings, reckoned, facts, facts.inner, known)
    workers = _workers(settings, reckoned, facts.node, facts.workers, known)
    if workers == facts.workers:
        return replace(facts, outer=outer, inner=inner)
    processes = parallel_divisor(settings, workers)
    more = facts.processes / processes
    came, interval = facts.output_actual, facts.output_actual_interval
    return replace(
        facts,
        outer=outer,
        inner=inner,
        workers=workers,
        processes=processes,
        output_actual=None if came is None else came * more,
        output_actual_interval=None if interval is None else interval.scaled(more),
        removed_rows=facts.removed_rows * more,
        scale=outer.divisor if facts.scale is not None else None,
    )


def _side(settings: CostSettings, reckoned: ReckonedTree, facts: JoinFacts, side: Side, known: CatalogFacts) -> Side:
    if side.processes <= 1.0:
        return side
    workers = _workers(settings, reckoned, side.node, facts.workers, known)
    processes = parallel_divisor(settings, workers)
    if workers == facts.workers or processes == side.processes:
        return side
    more = side.processes / processes
    return replace(
        side,
        processes=processes,
        divisor=side.divisor / more,
        actual_rows=None if side.actual_rows is None else side.actual_rows * more,
        actual_interval=None if side.actual_interval is None else side.actual_interval.scaled(more),
    )


def _workers(settings: CostSettings, reckoned: ReckonedTree, number: int, given: int, known: CatalogFacts) -> int:
    """The workers of a partial node: those whose share of the rows of the scan that drives it is printed."""
    tree = reckoned.tree
    at = number
    while not isinstance(tree.nodes[at], ScanNode):
        below = tree.outer(at)
        if below is None:
            inputs = tree.inputs(at)
            below = inputs[0] if len(inputs) == 1 else None
        if below is None:
            return given
        at = below
    relation = known.relation_of(at)
    if relation is None or not relation.complete:
        return given
    rows = float(tree.nodes[at].plan_rows or 0.0)
    shares = (w for w in range(given, 0, -1) if partial_rows(settings, relation.rows, w) == rows)
    return next(shares, given)
