"""A join over a side that a Gather brings together, priced as it would run below that Gather.

The planner weighs both: the join of what was gathered, and a Gather over the join that every process runs on its
share of one side. Source: try_partial_nestloop_path, try_partial_hashjoin_path and try_partial_mergejoin_path in
optimizer/path/joinpath.c, generate_gather_paths in optimizer/path/allpaths.c, cost_gather in
optimizer/path/costsize.c, releases 13 to 18.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from rowreckon.cost import STD_FUZZ_FACTOR, CostSettings, PathCost, cost_gather
from rowreckon.cost.gather import parallel_divisor, partial_rows
from rowreckon.cost.units import clamp_row_est
from rowreckon.joins.facts.inputs import JoinInput, Point, SideInput, SidePath
from rowreckon.joins.facts.sides import side_facts
from rowreckon.joins.ways.add_path import replaces
from rowreckon.joins.ways.all_ways import Way
from rowreckon.joins.ways.side_paths import catalog_paths, gathered_paths, printed_paths, shared_paths, taken_first
from rowreckon.plan.nodes import (
    BitmapCombineNode,
    BitmapHeapScanNode,
    BitmapIndexScanNode,
    ForeignScanNode,
    GatherNode,
    HashNode,
    IndexScanNode,
    JoinNode,
    MaterializeNode,
    MemoizeNode,
    ScanNode,
    SortNode,
)

if TYPE_CHECKING:
    from rowreckon.counts.reckon import ReckonedTree
    from rowreckon.joins.facts.catalog_facts import CatalogFacts
    from rowreckon.joins.facts.sides import JoinFacts, Side
    from rowreckon.joins.ways.lower_join import LowerJoin

_GATHERS = frozenset({"Gather", "Gather Merge"})
_SAFE = (
    BitmapCombineNode,
    BitmapHeapScanNode,
    BitmapIndexScanNode,
    GatherNode,
    HashNode,
    IndexScanNode,
    JoinNode,
    MaterializeNode,
    MemoizeNode,
    ScanNode,
    SortNode,
)
"""Nodes that every process can run by itself; what else there may be is not asked for its functions."""


def below_gather_inputs(
    settings: CostSettings,
    reckoned: ReckonedTree,
    facts: JoinFacts,
    join: JoinInput,
    known: CatalogFacts,
    below: Mapping[int, LowerJoin],
) -> tuple[JoinInput, ...]:
    """The join in its executed order below each Gather that brings one of its sides together; mostly none.

    Rows stay those over all processes, `output_rows` are those of one. Nothing where a side may not be run by every
    process: a temporary table, a subplan, a node other than scans, joins and what stands between them.
    """
    if facts.workers > 0 or join.workers > 0:
        return ()
    planned = {w for side in (facts.outer, facts.inner) if (w := _planned(reckoned, side)) > 0}
    if not planned or not all(_is_safe(reckoned, known, side) for side in (facts.outer, facts.inner)):
        return ()
    found: list[JoinInput] = []
    for workers in sorted(planned):
        sides = [
            _side(settings, reckoned, facts, side, given, known, keys, below, workers)
            for side, given, keys in (
                (facts.outer, join.outer, [c.outer.text for c in join.clauses]),
                (facts.inner, join.inner, [c.inner.text for c in join.clauses]),
            )
        ]
        output = partial_rows(settings, join.output_rows, workers)
        processes = parallel_divisor(settings, workers)
        lower = replace(
            join, outer=sides[0], inner=sides[1], workers=workers, processes=processes, output_rows=output, order=()
        )
        found.append(lower)
    return tuple(found)


def below_gather_ways(settings: CostSettings, join: JoinInput, lower: JoinInput, ways: Iterable[Way]) -> Iterator[Way]:
    """The ways of the join `lower` below a Gather, each with the Gather over its output."""
    rows_at = _output_rows(join)
    for way in ways:
        if way.existing:
            cost = _gathered(settings, way.cost, rows_at)
            yield replace(way, access=f"gather of {way.access}".rstrip(), cost=cost, gathered=True, order=())


def consistent(ways: list[Way], executed: Way | None, estimate: Point) -> list[Way]:
    """The ways, without those below a Gather where another method's would have been taken at the estimates, or any that
    is 1% cheaper: as the planner took what it took, they were not at hand (a function that workers may not call, say).
    """
    if executed is not None:
        chosen = executed.cost(estimate)
        below = [(w.method, w.cost(estimate)) for w in ways if w.gathered]
        if not any(
            path.total_cost * STD_FUZZ_FACTOR < chosen.total_cost or (m != executed.method and replaces(path, chosen))
            for m, path in below
        ):
            return ways
    return [w for w in ways if not w.gathered]


def _gathered(
    settings: CostSettings, partial: Callable[[Point], PathCost], rows_at: Callable[[Point], float]
) -> Callable[[Point], PathCost]:
    return lambda point: cost_gather(settings, partial(point), rows_at(point))


def _output_rows(join: JoinInput) -> Callable[[Point], float]:
    """The join's rows over all processes at a point, as its estimate and the point's figures have it."""
    here, estimated = max(join.outer.rows, 1.0) * max(join.inner.rows, 1.0), max(join.output_rows, 1.0)
    kept_outer, kept_inner = join.kind in ("Semi", "Anti"), join.kind in ("Right Semi", "Right Anti")

    def rows_at(point: Point) -> float:
        if kept_outer or kept_inner:
            rows, expected = (point.outer, join.outer.rows) if kept_outer else (point.inner, join.inner.rows)
            if point.match_frac is None:
                return clamp_row_est(estimated * rows / max(expected, 1.0))
            share = point.match_frac if "Semi" in join.kind else 1.0 - point.match_frac
            return clamp_row_est(rows * share)
        rows = estimated * point.ratio * max(point.outer, 1.0) * max(point.inner, 1.0) / here
        if join.kind in ("Left", "Full"):
            rows = max(rows, point.outer)
        if join.kind in ("Right", "Full"):
            rows = max(rows, point.inner)
        return clamp_row_est(rows)

    return rows_at


def _planned(reckoned: ReckonedTree, side: Side) -> int:
    """Workers of the Gather that a side is, 0 where it is none."""
    node = reckoned.tree.nodes[side.node]
    if not isinstance(node, GatherNode) or node.node_type != "Gather" or node.single_copy:
        return 0
    return int(node.workers_planned or 0)


def _is_safe(reckoned: ReckonedTree, known: CatalogFacts, side: Side) -> bool:
    tree = reckoned.tree
    for number in tree.subtree(side.node):
        node = tree.nodes[number]
        if not isinstance(node, _SAFE) or isinstance(node, ForeignScanNode) or tree.subplans(number):
            return False
        relation = known.relation_of(number) if isinstance(node, ScanNode) else None
        if relation is not None and relation.relation.persistence == "temporary":
            return False
    return True


def _side(
    settings: CostSettings,
    reckoned: ReckonedTree,
    facts: JoinFacts,
    side: Side,
    given: SideInput,
    known: CatalogFacts,
    keys: list[str],
    below: Mapping[int, LowerJoin],
    workers: int,
) -> SideInput:
    """A side as the processes of a Gather read it: each its share, or each all of it."""
    paths = [p for p in given.paths if p.path.kind not in _GATHERS]
    partial: list[SidePath] = []
    relation, single = given.relation, given.single
    gathered = _planned(reckoned, side)
    if gathered:
        child = side_facts(reckoned, reckoned.tree.inputs(side.node)[0], parameterised=False)
        relation = known.relation_of(child.scan) if child.scan is not None else None
        single = relation is not None
        if gathered == workers:
            partial += printed_paths(settings, reckoned.tree, facts, child, keys, known.index_order)
            if child.node in below:
                partial = [path for p in partial for path in below[child.node].at_actual(p)]
    if relation is not None and relation.complete:
        if gathered:
            paths += catalog_paths(settings, relation, given.rows, known.total_table_pages)
        partial += shared_paths(settings, relation, given.rows, workers, known.total_table_pages)
    useful = frozenset(keys)
    gathers = bool(gathered)
    if not gathered and relation is not None and relation.complete:
        others = list(gathered_paths(settings, relation, given.rows))
        gathers = bool(others) and taken_first([*paths, *others])[0] in others
    return replace(
        given,
        paths=tuple(taken_first(paths, useful)),
        partial_paths=tuple(taken_first(partial, useful)),
        relation=relation,
        single=single,
        gathers=gathers,
    )
