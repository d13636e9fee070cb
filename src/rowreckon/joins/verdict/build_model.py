"""From a join's facts and the evidence at hand to its cost model."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial

from rowreckon.cost import CostSettings
from rowreckon.cost.capabilities import ignores_switches_among_partial_paths
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.document.audit import Method
from rowreckon.joins.facts.catalog_facts import CatalogFacts
from rowreckon.joins.facts.inputs import TURNED_KIND, JoinInput, Point
from rowreckon.joins.facts.join_at_hand import JoinAtHand
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.joins.facts.wanted_above import first_shared
from rowreckon.joins.from_catalog.inputs import turned_input
from rowreckon.joins.verdict.shared_work import shared_work
from rowreckon.joins.ways.all_ways import JoinWay, ways_of
from rowreckon.joins.ways.below_gather import consistent
from rowreckon.joins.ways.kinks import kinks
from rowreckon.joins.ways.model import JoinModel
from rowreckon.joins.ways.parallel_rivals import parallel_floor
from rowreckon.joins.ways.topped import taken_alone, top_of, topped
from rowreckon.joins.ways.unique_side import made_unique
from rowreckon.joins.ways.unseen_index import UnseenWay, unpriced_ways, unseen_ways
from rowreckon.joins.ways.wanted_output import Wanted, as_wanted, first_rows_shared, sorted_in_part, sorted_unseen
from rowreckon.plan.nodes import BitmapHeapScanNode, IndexScanNode, MaterializeNode


def plan_models(
    case: JoinAtHand,
    worlds: list[JoinInput],
    excluded: dict[Method, str],
    wanted: Wanted,
) -> list[JoinModel]:
    """A model for each world that the plan allows, with the ways that may exist unseen."""
    unseen = unseen_ways(case, worlds[0], _printed(case), excluded)
    startup = float(case.reckoned.tree.nodes[case.facts.node].startup_cost or 0.0)
    unseen += sorted_unseen(wanted, worlds[0], (startup, _printed(case)), excluded)
    return [build_model(case, world, None, excluded, wanted, unseen=unseen) for world in worlds]


def build_model(
    case: JoinAtHand,
    join: JoinInput,
    known: CatalogFacts | None,
    excluded: dict[Method, str],
    wanted: Wanted,
    unseen: tuple[UnseenWay, ...] = (),
) -> JoinModel:
    """The model over the executed order of the sides and, where the join type permits, the other one.

    `unseen` are the ways that may exist unseen. With a catalog the join is priced for one process and for several.
    """
    settings, reckoned, facts = case.settings, case.reckoned, case.facts
    if known is not None:
        unseen = unpriced_ways(settings, join, _printed(case), excluded)
    base_cost = join.outer_paths[0].path.total_cost if join.outer_paths else 0.0
    given = partial(
        JoinModel,
        fraction=1.0 if wanted.share is None else min(wanted.share, 1.0),
        base_cost=base_cost,
        free_order=join.free_order,
        full_buckets=join.full_buckets,
    )
    if known is None:
        ways = [w for order in _orders(settings, facts, join, None) for w in ways_of(settings, order)]
        ways = as_wanted(settings, join, [w for w in ways if w.method not in excluded], wanted)
        return given(
            unseen=(*unseen, *sorted_in_part(ways, wanted)),
            ways=tuple(ways),
            executed=executed_way(reckoned, facts, ways, join.order, None),
            partial=facts.workers > 0,
            kinks=partial(kinks, settings, join),
            parallel_floor=parallel_floor(case, None),
        )
    several = shared_work(case, join, known, excluded, _orders(settings, facts, join, known))
    top = None if several.below else top_of(case, join, known, wanted)
    if top is None:
        ways = as_wanted(settings, join, several.ways, wanted)
    else:
        ways = topped(top, several.alone, several.shared)
    executed = executed_way(reckoned, facts, ways, join.order, facts.workers)
    estimate = Point(join.outer.rows, join.inner.rows)
    elsewhere = several.elsewhere
    if top is not None:
        ways = taken_alone(top, ways, executed, estimate)
    elif not several.below:
        kept = consistent(ways, executed, estimate, by_total=several.by_total)
        if len(kept) < len(ways):
            elsewhere = None  # as the planner took what it took, nothing could be shared
        ways = kept
    gathers = any(w.gathered for w in ways)
    if first_shared(reckoned.tree, facts.node):
        unseen = (*unseen, *first_rows_shared({w.method for w in ways}))
    refuses = gathers and ignores_switches_among_partial_paths(settings.server_major)
    return given(
        unseen=unseen if top is not None else (*unseen, *sorted_in_part(ways, wanted)),
        ways=tuple(ways),
        executed=executed,
        partial=several.below,
        gathers=gathers,
        by_total=several.by_total,
        gather_setup=settings.parallel_setup_cost if refuses else None,
        kinks=several.kinks,
        parallel_floor=None if several.complete else parallel_floor(case, known),
        elsewhere=elsewhere,
        lower=several.lower,
        merges=gathers and bool(join.order),
        top=top,
    )


def _printed(case: JoinAtHand) -> float:
    """The join's printed cost."""
    return float(case.reckoned.tree.nodes[case.facts.node].total_cost or 0.0)


def _orders(
    settings: CostSettings, facts: JoinFacts, join: JoinInput, known: CatalogFacts | None
) -> Iterator[JoinInput]:
    """Both orders of the sides as far as there are such; semijoins also as inner joins without duplicates."""
    straight = replace(join, workers=0, processes=1.0) if known is not None else join
    orders = [straight]
    if join.kind in TURNED_KIND and (not facts.inner.parameterised or join.inner.paths):
        orders.append(turned_input(straight, facts, known))
    for order in orders:
        yield order
    for order in orders:
        yield from made_unique(settings, order)


def executed_way(
    reckoned: ReckonedTree, facts: JoinFacts, ways: list[JoinWay], order: tuple[str, ...], workers: int | None
) -> JoinWay | None:
    """The way that the plan took; `workers` are those that it has in the model (None: the model has one number)."""
    mine = [w for w in ways if w.method == facts.method and not w.turned and w.existing]
    mine = [w for w in mine if w.unique == facts.made_unique]
    if workers is not None:
        mine = [w for w in mine if w.workers == workers]
    if order:
        mine = [w for w in mine if order[0] in w.order]
    tree = reckoned.tree
    if facts.method == "hash":
        return next((w for w in mine if w.shared == facts.shared_hash), None)
    if facts.method == "merge":
        sorts = (facts.outer.sorted_here, facts.inner.sorted_here)
        merged = sum(1 for c in facts.clauses if c.place == "merge")
        mine = sorted((w for w in mine if w.sorts == sorts), key=lambda w: w.merged != merged)
        return mine[0] if mine else None
    if not facts.inner.parameterised:
        kept = isinstance(tree.nodes[facts.inner.child], MaterializeNode)
        return next((w for w in mine if w.index is None and w.access.startswith("materialize") == kept), None)
    scan = tree.nodes[facts.inner.scan] if facts.inner.scan is not None else None
    index, access = None, ""
    if isinstance(scan, IndexScanNode):
        index = scan.index_name
        access = "index_only_scan" if scan.node_type == "Index Only Scan" else "index_scan"
    elif isinstance(scan, BitmapHeapScanNode) and facts.inner.scan is not None:
        access = "bitmap_scan"
        names = [getattr(tree.nodes[n], "index_name", None) for n in tree.subtree(facts.inner.scan)]
        found = [n for n in names if n is not None]
        index = found[0] if len(found) == 1 else None
    prefix = "memoize of " if facts.inner.memoized else ""
    if facts.inner.partitioned is not None:
        return next((w for w in mine if w.access == f"{prefix}append" and w.index is not None), None)
    return next((w for w in mine if w.access == prefix + access and w.index == index and index is not None), None)
