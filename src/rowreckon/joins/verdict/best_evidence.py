"""The best evidence at hand for one join: the planner's own figures, the catalog's facts, or the plan alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field, replace
from types import MappingProxyType

from rowreckon.capture import Capture
from rowreckon.cost import CostSettings
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.document.audit import Method, Missing
from rowreckon.frozen import frozen
from rowreckon.joins.above.top_above import top_above
from rowreckon.joins.facts.catalog_facts import CatalogFacts
from rowreckon.joins.facts.declared_indexes import DeclaredIndexes
from rowreckon.joins.facts.inputs import JoinInput, Point
from rowreckon.joins.facts.join_at_hand import JoinAtHand
from rowreckon.joins.facts.missing_evidence import prices, whole_size
from rowreckon.joins.facts.permitted_methods import excluded_methods, nothing_known
from rowreckon.joins.facts.semijoins import as_semijoin
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.joins.facts.wanted_above import order_above
from rowreckon.joins.from_catalog.equal_columns import NONE_EQUAL, EqualColumns, compared_once
from rowreckon.joins.from_catalog.inputs import catalog_input
from rowreckon.joins.from_plan.driving_keys import fewest_keys
from rowreckon.joins.from_plan.inputs import plan_worlds
from rowreckon.joins.from_plan.unled_scans import unled_scans
from rowreckon.joins.from_plan.whole_table_scans import RelationEvidence
from rowreckon.joins.verdict.build_model import build_model, plan_models
from rowreckon.joins.verdict.join_below import lower_join
from rowreckon.joins.verdict.planner_figures import PlannerFigure, planner_figures
from rowreckon.joins.ways.lower_join import LowerJoin, through_gather
from rowreckon.joins.ways.model import JoinModel
from rowreckon.joins.ways.side_paths import order_of
from rowreckon.joins.ways.wanted_output import Wanted, wanted_of
from rowreckon.plan.nodes import ScanNode


@frozen
class JoinEvidence:
    """What is known of one join.

    `facts` are the join's, a semijoin recognised as one; `worlds` are inputs and model for each state of affairs that
    the evidence allows, the likeliest first, none where nothing can be worked out; `planner` holds the planner's own
    figures per method; `prices` names what would price the other methods where the catalog does not. `learned` says
    whether what other plans tell went into it, where there are such.
    """

    facts: JoinFacts
    worlds: tuple[tuple[JoinInput, JoinModel], ...]
    excluded: dict[Method, str]
    planner: dict[Method, PlannerFigure] = field(default_factory=dict)
    prices: Missing | None = None
    learned: bool = True


def gather(
    settings: CostSettings,
    capture: Capture,
    reckoned: ReckonedTree,
    facts: JoinFacts,
    known: CatalogFacts | None,
    relations: RelationEvidence,
    below: Mapping[int, LowerJoin] = MappingProxyType({}),
    declared: DeclaredIndexes | None = None,
    equal: EqualColumns = NONE_EQUAL,
) -> JoinEvidence:
    """The evidence for one join; `below` are the joins that it stands on, as far as they can be priced anew, `equal`
    the columns that the plan's joins equate."""
    excluded = excluded_methods(facts, known.abilities if known is not None else nothing_known, settings)
    planner = planner_figures(capture, reckoned, facts)
    facts = as_semijoin(reckoned, facts, capture.query)
    if known is not None:
        facts = compared_once(facts)  # a plan's own prices are read off all that it prints
    case = JoinAtHand(settings, reckoned, facts, declared)
    wanted = Wanted(None, None, 0) if known is None else _wanted(settings, capture, reckoned, facts, known)
    useful = wanted.order if wanted.top is None else wanted.top.keys
    join = catalog_input(case, known, below, equal, useful, capture.query) if known is not None else None
    if join is None:
        unread = relations.stored(reckoned.tables[facts.node] if known is None else known.unread_below(facts.node))
        lacking = _size_lacking(reckoned, facts, relations) or prices(unread, asked=known is not None)
        merged = order_of(reckoned.tree, facts.node) if facts.method == "merge" else ()
        wanted = wanted_of(reckoned.tree, facts.node, order_above(reckoned.tree, facts.node, merged, capture.query))
        worlds = _worlds(case, relations, excluded, wanted)
        if relations.any_learned and not _led(worlds, facts):
            alone = _worlds(case, relations.by_this_plan(), excluded, wanted)
            if _led(alone, facts):
                return JoinEvidence(facts, alone, excluded, planner, lacking, learned=False)
        return JoinEvidence(facts, worlds, excluded, planner, lacking)
    assert known is not None
    join = replace(join, order=wanted.taken, useful_order=useful)
    model = build_model(case, join, known, excluded, wanted)
    return JoinEvidence(facts, ((join, model),), excluded, planner)


def _wanted(
    settings: CostSettings, capture: Capture, reckoned: ReckonedTree, facts: JoinFacts, known: CatalogFacts
) -> Wanted:
    """What is wanted of a join's rows, where a catalog tells the order in which it delivers them."""
    delivered = order_of(reckoned.tree, facts.node, known.index_order)
    above = order_above(reckoned.tree, facts.node, delivered, capture.query)
    wanted = wanted_of(reckoned.tree, facts.node, above)
    if wanted.share is not None:
        return wanted
    top = top_above(reckoned, facts.node, delivered, capture.query, settings.server_major)
    return replace(wanted, top=top)


def _worlds(
    case: JoinAtHand, relations: RelationEvidence, excluded: dict[Method, str], wanted: Wanted
) -> tuple[tuple[JoinInput, JoinModel], ...]:
    case = replace(
        case,
        unled=unled_scans(case.reckoned, case.facts, relations.learned),
        fewest_keys=fewest_keys(case, relations),
    )
    joins = plan_worlds(case, relations)
    return tuple(zip(joins, plan_models(case, joins, excluded, wanted), strict=True)) if joins else ()


def _led(worlds: tuple[tuple[JoinInput, JoinModel], ...], facts: JoinFacts) -> bool:
    """Whether the executed method leads at the estimates anywhere: what other plans tell contradicts the planner's own
    choice where it does nowhere, and the plan is taken by itself."""
    return any(model.leader(Point(join.outer.rows, join.inner.rows)) == facts.method for join, model in worlds)


def _size_lacking(reckoned: ReckonedTree, facts: JoinFacts, relations: RelationEvidence) -> Missing | None:
    """The one size that would decide most where other plans are at hand: of what a nested loop looks up, else of what
    a join reads and no plan tells."""
    for number in (facts.inner.scan, facts.outer.scan):
        node = reckoned.tree.nodes[number] if number is not None else None
        if isinstance(node, ScanNode) and relations.lacks_size(node):
            return whole_size(node.schema_name or "", node.relation_name or "")
    return None


def gather_all(
    settings: CostSettings,
    capture: Capture,
    reckoned: ReckonedTree,
    joins: Sequence[JoinFacts],
    known: CatalogFacts | None,
    relations: RelationEvidence,
    declared: DeclaredIndexes | None = None,
) -> dict[int, JoinEvidence]:
    """The evidence for these joins, given in pre-order, by node: from the lowest up, as prices rest on those below."""
    found: dict[int, JoinEvidence] = {}
    equal = EqualColumns(joins)
    below: dict[int, LowerJoin] = {}
    for facts in reversed(joins):
        evidence = gather(settings, capture, reckoned, facts, known, relations, below, declared, equal)
        found[facts.node] = evidence
        lower = lower_join(reckoned, evidence.facts, evidence.worlds) if known is not None else None
        if lower is not None:
            below[facts.node] = lower
            above = reckoned.tree.parent[facts.node]
            through = through_gather(settings, reckoned, above, lower)
            if through is not None:
                below[above] = through
    return found
