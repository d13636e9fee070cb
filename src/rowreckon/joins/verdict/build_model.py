"""From a join's facts and the evidence at hand to its cost model."""

from __future__ import annotations

from functools import partial

from rowreckon.cost import CostSettings
from rowreckon.cost.capabilities import ignores_switches_among_partial_paths
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.document.audit import Method
from rowreckon.joins.facts.catalog_facts import CatalogFacts
from rowreckon.joins.facts.inputs import TURNED_KIND, JoinInput, Point
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.joins.from_catalog.inputs import turned_input
from rowreckon.joins.ways.all_ways import Way, ways_of
from rowreckon.joins.ways.below_gather import below_gather_ways, consistent
from rowreckon.joins.ways.kinks import kinks
from rowreckon.joins.ways.model import JoinModel
from rowreckon.joins.ways.parallel_rivals import parallel_floor
from rowreckon.joins.ways.unique_side import made_unique
from rowreckon.joins.ways.unseen_index import HiddenWay, hidden_ways
from rowreckon.joins.ways.wanted_output import Wanted, as_wanted
from rowreckon.plan.nodes import BitmapHeapScanNode, IndexScanNode, MaterializeNode


def plan_models(
    settings: CostSettings,
    reckoned: ReckonedTree,
    facts: JoinFacts,
    worlds: list[JoinInput],
    excluded: dict[Method, str],
    wanted: Wanted,
) -> list[JoinModel]:
    """A model for each world that the plan allows, with the ways that may exist unseen."""
    printed = float(reckoned.tree.nodes[facts.node].total_cost or 0.0)
    hidden = hidden_ways(settings, facts, worlds[0], printed, excluded)
    return [build_model(settings, reckoned, facts, world, None, excluded, wanted, hidden=hidden) for world in worlds]


def build_model(
    settings: CostSettings,
    reckoned: ReckonedTree,
    facts: JoinFacts,
    join: JoinInput,
    known: CatalogFacts | None,
    excluded: dict[Method, str],
    wanted: Wanted,
    lower: tuple[JoinInput, ...] = (),
    hidden: tuple[HiddenWay, ...] = (),
) -> JoinModel:
    """The model over the executed order of the sides and, where the join type permits, the other one.

    `lower` is the join below each Gather that it stands on, `hidden` are the ways that may exist unseen.
    """
    ways = _ways(settings, facts, join, known, excluded)
    for below in lower:
        ways += below_gather_ways(settings, join, below, _ways(settings, facts, below, known, excluded))
    ways = as_wanted(settings, join, ways, wanted)
    executed = _executed(reckoned, facts, [w for w in ways if not w.gathered], join.order)
    if lower:
        ways = consistent(ways, executed, Point(join.outer.rows, join.inner.rows))
    gathers = any(w.gathered for w in ways)
    refuses = ignores_switches_among_partial_paths(settings.server_major)
    outer_cost = join.outer_paths[0].path.total_cost if join.outer_paths else 0.0
    return JoinModel(
        ways=tuple(ways),
        executed=executed,
        fraction=1.0 if wanted.share is None else min(wanted.share, 1.0),
        base_cost=outer_cost,
        partial=facts.workers > 0,
        hidden=hidden,
        free_order=join.free_order,
        full_buckets=join.full_buckets,
        gathers=gathers,
        gather_setup=settings.parallel_setup_cost if gathers and refuses else None,
        kinks=partial(kinks, settings, join),
        parallel_floor=parallel_floor(settings, reckoned, facts, known),
    )


def _ways(
    settings: CostSettings, facts: JoinFacts, join: JoinInput, known: CatalogFacts | None, excluded: dict[Method, str]
) -> list[Way]:
    orders = [join]
    if join.kind in TURNED_KIND and (not facts.inner.parameterised or join.inner.paths):
        orders.append(turned_input(join, facts, known))
    for order in tuple(orders):
        orders += made_unique(settings, order)
    return [w for order in orders for w in ways_of(settings, order) if w.method not in excluded]


def _executed(reckoned: ReckonedTree, facts: JoinFacts, ways: list[Way], order: tuple[str, ...]) -> Way | None:
    """The way that the plan took."""
    mine = [w for w in ways if w.method == facts.method and not w.turned and w.existing]
    mine = [w for w in mine if w.unique == facts.made_unique]
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
