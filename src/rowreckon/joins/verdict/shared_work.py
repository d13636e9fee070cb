"""A join priced for one process and for several, at the place where the planner compares the two.

A join of all tables is compared with a Gather on top, and below one that stands on others partial ways are compared
among each other. What can't be put on one footing at this join (it stands below others) is kept for the verdict.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial

from rowreckon.cost import CostSettings
from rowreckon.document.audit import Method
from rowreckon.frozen import frozen
from rowreckon.joins.facts.above import Above, above_of, target_calls
from rowreckon.joins.facts.catalog_facts import CatalogFacts
from rowreckon.joins.facts.inputs import JoinInput, Point, SideInput
from rowreckon.joins.facts.join_at_hand import JoinAtHand
from rowreckon.joins.verdict.points import points_of
from rowreckon.joins.ways.all_ways import JoinWay, ways_of
from rowreckon.joins.ways.below_gather import gathered, output_rows, partial_inputs, partial_ways
from rowreckon.joins.ways.borders import Kink
from rowreckon.joins.ways.elsewhere import Elsewhere, LowerWays
from rowreckon.joins.ways.kinks import kinks
from rowreckon.joins.ways.on_top import merged_on_top, on_top, with_target


@frozen
class SharedWork:
    """A join's ways on one footing.

    `below` says that the footing is below the Gather that stands above other joins, `by_total` that what stands on top
    needs all rows. `elsewhere` are the ways on the other footing, where the planner compares the two further up only.
    `lower` is what a join above makes use of; `alone` and `shared` are the ways by their own costs. `complete` says
    that no process could do what isn't priced.
    """

    ways: list[JoinWay]
    below: bool
    by_total: bool
    elsewhere: Elsewhere | None
    lower: LowerWays
    alone: list[JoinWay]
    shared: list[JoinWay]
    complete: bool
    kinks: Callable[[], tuple[Kink, ...]]


def shared_work(
    case: JoinAtHand,
    join: JoinInput,
    known: CatalogFacts,
    excluded: dict[Method, str],
    orders: Iterable[JoinInput],
) -> SharedWork:
    """The ways of a join in these orders of its sides, for one process and for several."""
    settings, reckoned, facts = case.settings, case.reckoned, case.facts
    rows = facts.output_rows * facts.processes
    orders = list(orders)
    alone = [w for order in orders for w in ways_of(settings, order) if w.method not in excluded]
    may_share = known.parallel.may_share(facts.node)
    inputs = [lower for order in orders for lower in partial_inputs(settings, order, rows)] if may_share else []
    shared = [
        way for lower in inputs for way in partial_ways(lower, ways_of(settings, lower)) if way.method not in excluded
    ]
    calls = target_calls(reckoned, facts.node, settings.server_major)
    rows_at = output_rows(join, rows)
    if calls:
        alone = list(with_target(settings, alone, calls, rows_at))
        shared = list(with_target(settings, shared, calls, rows_at))
    above = above_of(reckoned, facts.node, settings.cpu_operator_cost, settings.server_major)
    points = points_of(facts, join)
    if join.order:
        width = int(reckoned.tree.nodes[facts.node].plan_width or 0)
        brought = gathered(shared, merged_on_top(settings, width, rows_at, join.order), join.order)
    else:
        top = on_top(settings, above, rows_at, points.estimate, points.actual)
        brought = gathered(shared, lambda way: top)
    listed = [*alone, *brought]
    in_others = above.kind == "join"
    below = facts.workers > 0 and in_others and not above.gather
    elsewhere: Elsewhere | None = None
    if in_others and shared:
        elsewhere = _elsewhere(settings, above, rows_at, points.estimate, listed if below else shared, below=below)
    return SharedWork(
        ways=shared if below else listed,
        below=below,
        by_total=above.kind == "aggregate",
        elsewhere=elsewhere,
        alone=alone,
        shared=shared,
        lower=LowerWays(tuple(w for w in alone if w.existing), tuple(w for w in shared if w.existing)),
        complete=not may_share or all(_complete(side) for side in (join.outer, join.inner)),
        kinks=partial(_all_kinks, settings, [join, *inputs]),
    )


def _complete(side: SideInput) -> bool:
    """Whether all is known of how processes could share a side."""
    known = side.relation is not None and side.relation.complete
    return known or bool(side.partial_paths) or bool(side.members)


def _all_kinks(settings: CostSettings, joins: list[JoinInput]) -> tuple[Kink, ...]:
    found = {kink for join in joins if not join.turned for kink in kinks(settings, join)}
    return tuple(sorted(found, key=lambda kink: kink.rows))


def _elsewhere(
    settings: CostSettings,
    above: Above,
    rows_at: Callable[[Point], float],
    estimate: Point,
    ways: list[JoinWay],
    *,
    below: bool,
) -> Elsewhere:
    return Elsewhere(
        ways=tuple(w for w in ways if w.existing),
        below=not below,
        setup=settings.parallel_setup_cost,
        per_row=settings.parallel_tuple_cost * above.top_rows,
        rest=above.cost,
        grown=lambda point: max(rows_at(point), 1.0) / max(rows_at(estimate), 1.0),
    )
