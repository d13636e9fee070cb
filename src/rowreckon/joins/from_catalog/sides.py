"""One side of a join from captured catalog facts: its rows, and every way to produce it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rowreckon.cost import STD_FUZZ_FACTOR, CostSettings, partial_rows
from rowreckon.joins.facts.inputs import KeyInput, SideInput, SidePath
from rowreckon.joins.facts.own_filter import AS_EXPECTED, own_factor
from rowreckon.joins.facts.partitioned import known_table
from rowreckon.joins.facts.sides import side_facts
from rowreckon.joins.from_catalog.computed_sides import is_computed
from rowreckon.joins.from_catalog.equal_columns import EqualColumns
from rowreckon.joins.from_catalog.givers import parameters_of
from rowreckon.joins.from_catalog.scans_at_actual import with_actual_scan
from rowreckon.joins.ways.appended_scans import merged_appends, partial_appends, whole_append
from rowreckon.joins.ways.partial_scans import (
    gathered_in_order,
    gathered_scans,
    partial_first,
    partial_scans,
    weighed,
)
from rowreckon.joins.ways.printed_ways import printed_ways
from rowreckon.joins.ways.side_paths import catalog_paths, taken_first
from rowreckon.plan.nodes import CteScanNode, FunctionScanNode, GatherNode, ValuesScanNode

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rowreckon.counts.reckon import ReckonedTree
    from rowreckon.joins.facts.catalog_facts import CatalogFacts
    from rowreckon.joins.facts.join_at_hand import JoinAtHand
    from rowreckon.joins.facts.known_relation import KnownRelation
    from rowreckon.joins.facts.partitioned import PartitionedTable
    from rowreckon.joins.facts.sides import JoinFacts, Side
    from rowreckon.joins.ways.lower_join import LowerJoin

_LEAVES = (FunctionScanNode, ValuesScanNode, CteScanNode)


def catalog_side(
    case: JoinAtHand,
    side: Side,
    known: CatalogFacts,
    keys: list[KeyInput],
    below: Mapping[int, LowerJoin],
    equal: EqualColumns,
    order: tuple[str, ...],
) -> SideInput | None:
    settings, reckoned, facts = case.settings, case.reckoned, case.facts
    gathered = _gathered_scan(reckoned, side)
    scan = side.scan if gathered is None else gathered.scan
    relation = known.relation_of(scan) if scan is not None else None
    table = known_table(side.partitioned, known, reckoned.tree) if side.partitioned is not None else None
    if table is not None and not all(m.complete for m in table.members):
        table = None
    if side.parameterised and table is None and (relation is None or not relation.complete):
        return None
    rows, workers = _rows(settings, facts, side, relation, table)
    useful = frozenset(key.text for key in keys)
    whole, partial = printed_ways(case, side, known, [k.text for k in keys], below, workers)
    # below the join's own Gather no other one could stand
    pages, printed = known.total_table_pages, [p for p in whole[:1] if p.safe and facts.workers == 0]
    found: list[SidePath] = []
    if relation is not None and relation.complete:
        whole += catalog_paths(settings, relation, rows, pages)
        found += partial_scans(settings, relation, rows, pages)
    union = known.appended_by(side.node) if side.partitioned is None else ()
    appended = table.members if table is not None else union
    if appended:
        if all(path.order for path in whole):
            gathers = known.parallel.may_share(side.node)
            whole += whole_append(settings, appended, side.width, pages, union=bool(union), gathers=gathers)
        whole += merged_appends(settings, table, side.width, pages) if table is not None else ()
        found += partial_appends(settings, appended, side.width, pages, union=bool(union))
    if found and known.parallel.may_share(side.node if scan is None else scan):
        cheapest_first = partial_first([*partial, *found], useful)
        brought = list(gathered_scans(settings, rows, cheapest_first))
        if not _contradicted(printed, brought):
            partial += found
            whole += [*brought, *gathered_in_order(settings, rows, cheapest_first, order)]
    whole = taken_first(whole, useful)
    if relation is not None and relation.complete:
        whole = with_actual_scan(settings, reckoned, side, relation, whole, known.total_table_pages)
    whole = weighed(whole)
    return SideInput(
        rows=rows,
        width=side.width,
        paths=tuple(whole),
        relation=relation,
        single=relation is not None or side.partitioned is not None or gathered is not None or _is_leaf(reckoned, side),
        partial_paths=tuple(partial_first(partial, useful)),
        parameters=parameters_of(case, side, known, keys, equal),
        actual_ratio=side.actual_rows / side.planner_rows if side.actual_rows and side.planner_rows else None,
        gathers=bool(whole) and not whole[0].safe,
        members=table.members if table is not None else (),
        own_factor=own_factor(reckoned, side, relation) if side.parameterised and relation is not None else AS_EXPECTED,
    )


def _contradicted(printed: list[SidePath], gathered: list[SidePath]) -> bool:
    """Whether the planner would have brought a relation together by a Gather, had it been at hand: it took another."""
    return any(
        not p.order and p.path.total_cost > STD_FUZZ_FACTOR * g.path.total_cost for p in printed for g in gathered
    )


def _rows(
    settings: CostSettings,
    facts: JoinFacts,
    side: Side,
    relation: KnownRelation | None,
    table: PartitionedTable | None,
) -> tuple[float, int]:
    """A side's estimated rows over all processes, and the workers among whom it was planned to be divided."""
    if side.parameterised and relation is not None:
        return relation.rows, 0
    if side.parameterised and table is not None:
        return table.rows, 0
    workers = (side.workers or facts.workers) if facts.workers > 0 else 0
    if relation is not None and side.workers > 0:
        printed = partial_rows(settings, relation.rows, side.workers)
        return (relation.rows if printed == side.planner_rows else side.planner_rows * side.processes), workers
    return side.planner_rows * side.processes, workers


def _is_leaf(reckoned: ReckonedTree, side: Side) -> bool:
    """Whether a side that is no table's scan is the planner's one relation all the same."""
    return isinstance(reckoned.tree.nodes[side.node], _LEAVES) or is_computed(reckoned.tree, side)


def _gathered_scan(reckoned: ReckonedTree, side: Side) -> Side | None:
    """The one relation's scan that a Gather brings together, where that is what a side is."""
    tree = reckoned.tree
    node = tree.nodes[side.node]
    fed = tree.only_input(side.node)
    if not isinstance(node, GatherNode) or node.single_copy or fed is None:
        return None
    child = side_facts(reckoned, fed, parameterised=False)
    return child if child.scan is not None else None
