"""What a join would cost with an index that isn't there yet, at the rows that really came.

The relation is priced under the shares that its own conditions really kept, as far as the plan counted them, so that
rows which an index fetches and a filter then discards are weighed as they are, and not as they were expected.
"""

from __future__ import annotations

from dataclasses import replace
from math import log
from typing import TYPE_CHECKING

from rowreckon.frozen import frozen
from rowreckon.joins.facts.catalog_facts import CatalogFacts
from rowreckon.joins.facts.inputs import TURNED_KIND, JoinInput, Point
from rowreckon.joins.facts.join_at_hand import JoinAtHand
from rowreckon.joins.facts.known_relation import KnownIndex, KnownRelation
from rowreckon.joins.facts.settings import settings_of
from rowreckon.joins.facts.sides import Aliases, join_facts
from rowreckon.joins.from_catalog.equal_columns import compared_once
from rowreckon.joins.from_catalog.inputs import catalog_input, turned_input
from rowreckon.joins.verdict.points import points_of
from rowreckon.joins.ways.index_match import match_index, own_column
from rowreckon.joins.ways.nested_loops import nested_loop_ways
from rowreckon.plan.nodes import BitmapHeapScanNode, IndexScanNode

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.cost import CostSettings
    from rowreckon.counts.reckon import ReckonedTree
    from rowreckon.document.audit import Join
    from rowreckon.joins.facts.sides import JoinFacts

_NEW = "\0new"
_STOPS = ("Semi", "Anti")


@frozen
class Fetched:
    """Rows that an index scan of a nested loop's inner side fetched per execution, and those that its filter threw
    away again."""

    rows: float
    discarded: float


@frozen
class SidePrices:
    """One relation of a join that an index could serve as inner side of a nested loop.

    `relation` keeps the shares that came, `planned` those that the planner expected; `existing` is the cheapest
    existing way to run the join at the actual rows, planner cost; `fetched` what an index scan of this side did.
    """

    settings: CostSettings
    scan: int
    relation: KnownRelation
    planned: KnownRelation
    order: JoinInput
    estimate: Point
    actual: Point
    existing: float
    fetched: Fetched | None

    @property
    def least(self) -> float:
        """What the driving side alone costs, below which no index takes the join, planner cost."""
        return self.order.outer_paths[0].path.total_cost if self.order.outer_paths else 0.0

    def cost(self, index: KnownIndex) -> float | None:
        """The cheapest nested loop over a new index at the actual rows, planner cost."""
        return _cheapest(self.settings, self.order, self.relation, [index], self.actual)

    def cost_at_estimate(self, index: KnownIndex) -> float | None:
        """The same as the planner would see it, at its own estimates."""
        return _cheapest(self.settings, self.order, self.planned, [index], self.estimate)


@frozen
class Priced:
    """What the price of a scan rests on."""

    settings: CostSettings
    relation: KnownRelation
    total_table_pages: float


class IndexPrices:
    """Prices for the joins of one plan; the catalog's facts are laid out on the first question."""

    def __init__(self, capture: Capture, reckoned: ReckonedTree) -> None:
        self._capture = capture
        self._reckoned = reckoned
        self._shared: tuple[CostSettings, CatalogFacts, Aliases] | None = None

    def sides(self, join: Join) -> tuple[SidePrices, ...]:
        """The relations of a join that an index could serve, none where the catalog does not tell enough."""
        shared = self._laid_out()
        if shared is None:
            return ()
        settings, known, aliases = shared
        facts = compared_once(join_facts(self._reckoned, join.node, aliases))
        straight = catalog_input(JoinAtHand(settings, self._reckoned, facts), known)
        if straight is None:
            return ()
        points = points_of(facts, straight)
        if points.actual is None:
            return ()
        orders = [straight]
        if straight.kind in TURNED_KIND and not facts.inner.parameterised:
            orders.append(turned_input(straight, facts, known))
        found = (self._prices_of(settings, facts, o, points.estimate, points.actual, join) for o in orders)
        return tuple(side for side in found if side is not None)

    def of_scan(self, number: int) -> Priced | None:
        """What a scan's price rests on; None where the catalog does not tell its relation's size."""
        shared = self._laid_out()
        relation = shared[1].relation_of(number) if shared is not None else None
        return None if shared is None or relation is None else Priced(shared[0], relation, shared[1].total_table_pages)

    def _laid_out(self) -> tuple[CostSettings, CatalogFacts, Aliases] | None:
        catalog, tree = self._capture.catalog, self._reckoned.tree
        if self._shared is None and catalog is not None:
            settings, _ = settings_of(self._capture, tree)
            self._shared = settings, CatalogFacts(catalog, tree, settings), Aliases(tree)
        return self._shared

    def _prices_of(
        self, settings: CostSettings, facts: JoinFacts, order: JoinInput, estimate: Point, actual: Point, join: Join
    ) -> SidePrices | None:
        side = facts.outer if order.turned else facts.inner
        planned = order.inner.relation
        if planned is None or side.scan is None or not order.inner.single or order.kind not in _KINDS:
            return None
        fetched = None
        if side.parameterised:
            fetched = _fetched(self._reckoned, side.scan) if facts.kind not in _STOPS else None
            if fetched is None:
                return None
            relation, ratio = _as_fetched(settings, self._reckoned, side.scan, order, planned, fetched)
            actual = actual._replace(ratio=ratio)
        else:
            rows = actual.outer if order.turned else actual.inner
            relation = _with_kept(planned, planned, rows / max(planned.size.tuples, 1.0))
        loops = _cheapest(settings, order, relation, relation.indexes, actual)
        others = [c.at_actual for m, c in join.costs.items() if c.at_actual is not None and m != "nested_loop"]
        if not side.parameterised:
            others += [c.at_actual for m, c in join.costs.items() if c.at_actual is not None and m == "nested_loop"]
        costs = [c for c in (loops, *others) if c is not None]
        if not costs:
            return None
        return SidePrices(
            settings, side.scan, relation, planned, order, estimate, actual, max(min(costs), 0.01), fetched
        )


_KINDS = ("Inner", "Left", "Semi", "Anti")


def _cheapest(
    settings: CostSettings,
    order: JoinInput,
    relation: KnownRelation,
    indexes: list[KnownIndex] | tuple[KnownIndex, ...],
    point: Point,
) -> float | None:
    named = tuple(replace(i, name=_NEW + str(n)) for n, i in enumerate(indexes))
    inner = replace(order.inner, relation=replace(relation, indexes=named))
    given = replace(order, inner=inner, executed_index=None)
    if not named:
        return None
    ways = nested_loop_ways(settings, given)
    return min((w[2](point).total_cost for w in ways if w[1] is not None and w[1].startswith(_NEW)), default=None)


def _fetched(reckoned: ReckonedTree, scan: int) -> Fetched | None:
    """Per execution; None for a scan that is no index scan, never ran, or was stopped early."""
    node, count = reckoned.tree.nodes[scan], reckoned.counts[scan]
    if not isinstance(node, (IndexScanNode, BitmapHeapScanNode)) or not node.loops or count.actual is None:
        return None
    if count.state not in ("exact", "probed", "reread"):
        return None
    rows, discarded = count.actual / node.loops, node.rows_removed_by_filter or 0
    return Fetched(rows + discarded, float(discarded))


def _as_fetched(
    settings: CostSettings,
    reckoned: ReckonedTree,
    scan: int,
    order: JoinInput,
    planned: KnownRelation,
    fetched: Fetched,
) -> tuple[KnownRelation, float]:
    """The relation under the share that the filter kept, and how much more often the index found rows than expected."""
    node = reckoned.tree.nodes[scan]
    names = {getattr(reckoned.tree.nodes[n], "index_name", None) for n in reckoned.tree.subtree(scan)}
    used = next((i for i in planned.indexes if i.name in names), None)
    keyed = [c for c in order.clauses if c.inner.column is not None]
    match = match_index(settings, planned, used, keyed) if used is not None else None
    expected = (match.selectivity if match is not None else 1.0) * planned.size.tuples
    ratio = max(fetched.rows, 0.5) / max(expected, 1e-9)
    held = used.keys if used is not None else ()
    filtered = replace(planned, restrictions=tuple(r for r in planned.restrictions if own_column(r.clause) not in held))
    kept = 1.0 - fetched.discarded / fetched.rows if fetched.rows > 0 else 1.0
    floor = 0.5 / max(float(node.loops), 1.0) / max(fetched.rows, 0.5)
    return _with_kept(planned, filtered, max(kept, floor)), ratio


def _with_kept(planned: KnownRelation, filtered: KnownRelation, kept: float) -> KnownRelation:
    """The relation with its filter's conditions scaled so that together they keep the share that came.

    Each clause's share is raised to the same power: a clause that hardly restricts stays so, and none passes 1.
    """
    product = 1.0
    for r in filtered.restrictions:
        product *= r.selectivity if r.selectivity is not None else 1.0
    kept = min(max(kept, 1e-9), 1.0)
    if not filtered.restrictions or not 0.0 < product < 1.0 or kept >= 1.0:
        return planned
    power = log(kept) / log(product)
    scaled = {
        r.clause: replace(r, selectivity=r.selectivity**power)
        for r in filtered.restrictions
        if r.selectivity is not None and r.selectivity > 0.0
    }
    restrictions = tuple(scaled.get(r.clause, r) for r in planned.restrictions)
    whole = 1.0
    for r in restrictions:
        whole *= r.selectivity if r.selectivity is not None else 1.0
    estimate = planned.estimate.model_copy(update={"selectivity": whole}) if planned.estimate is not None else None
    return replace(planned, restrictions=restrictions, estimate=estimate)
