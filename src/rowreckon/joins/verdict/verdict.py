"""The verdict on one join: did the error carry it past a border between join methods?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

from rowreckon.cost import STD_FUZZ_FACTOR, PathCost
from rowreckon.document.audit import Method, Verdict
from rowreckon.document.base import METHOD_NAMES
from rowreckon.frozen import frozen
from rowreckon.joins.facts.inputs import Point
from rowreckon.joins.verdict.points import Points
from rowreckon.joins.ways.all_ways import JoinWay
from rowreckon.joins.ways.model import JoinModel

World = tuple[JoinModel, Points]
"""One state of affairs that the evidence allows: the model and the points at which it is asked."""

HOPELESS = 2.0
"""A way that costs this many times the cheapest everywhere is not tried in between."""

_FUZZ_OVER_JOIN = STD_FUZZ_FACTOR**3
"""The planner's tolerance for a join, its outer side and that one's inputs together (common practice, no source)."""

_NEARLY = 1.03
"""How much dearer than the cheapest the executed method may be at the edge of what the evidence leaves: what sizes it
leaves is cut off by a simpler reckoning than the model's (common practice, no source).
"""

Outcome = Literal["crossed", "stays", "level", "close", "misled", "lacking"]


_NOT_CROSSED = frozenset({"stays", "level"})
"""Outcomes in which no other method is more than 1% cheaper; `level` is one that may be taken all the same."""


@frozen
class Decision:
    """A verdict with the figures that it rests on; `reason` says why it is undecided, else empty."""

    verdict: Verdict
    best: Method | None
    loss_factor: float | None
    reason: str = ""


def decide(
    worlds: Sequence[World],
    method: Method,
    *,
    misestimated: bool,
    permitted: frozenset[Method],
    over_join: bool = False,
    moved: bool = False,
) -> Decision:
    """The verdict that holds in every world that the evidence allows; the first one gives the figures.

    The executed method has to lead at the estimate, as it did for the planner (see `fitting`). It is `crossed` where
    another leads at the actual and is more than 1% cheaper. `over_join` says that the outer side is a misestimated join
    itself: right estimates would price it anew, and with it what 1% is, so that a lead of a few per cent is left open.
    Where its price at the actual rows is known it may still be run in another order of joins (`moved`): of methods that
    cost the same within 1% either may then be taken.
    """
    model, points = worlds[0]
    if points.actual is None:
        return Decision("undecided", None, None, "the rows that would have come are not known")
    found: dict[Outcome, None] = {}  # in the order of the worlds
    for number, world in enumerate(worlds):
        if number == 0 and model.leader(points.estimate) != method and method in {w.method for w in model.deciding()}:
            found["misled"] = None
            break
        fuzz = _FUZZ_OVER_JOIN if over_join else STD_FUZZ_FACTOR
        found[_outcome(*world, method, permitted, fuzz, ties=over_join or moved)] = None
        if len(found) > 1 and not found.keys() <= _NOT_CROSSED:
            break  # two worlds disagree: no further one can settle it
    there = model.costs(points.actual)
    best = model.leader(points.actual)
    loss = there[method] / there[best] if best is not None and method in there and there[best] > 0 else None
    if found.keys() == {"misled"}:
        here = model.costs(points.estimate)
        cheaper = min((m for m in here if m != method), key=lambda m: here[m])
        reason = (
            f"by the cost model a {METHOD_NAMES[cheaper]} is cheaper already at the estimates, "
            "yet the planner took another"
        )
        return Decision("undecided", best, loss, reason)
    open_above = _decided_above(model, points, method, best)
    if found.keys() == {"crossed"}:
        open_above = open_above or _executed_shared(model, points.actual, method)
        return Decision("undecided", best, loss, open_above) if open_above else Decision("crossed", best, loss)
    if "lacking" in found:
        lacking = {method for each, _ in worlds for method in permitted - {w.method for w in each.deciding()}}
        if method in lacking:
            return Decision("undecided", None, None, "the executed method's cost can't be worked out")
        names = " and a ".join(METHOD_NAMES[m] for m in sorted(lacking))
        return Decision("undecided", None, None, f"what a {names} would have cost can't be worked out")
    unseen = _unseen(model, points.actual, method)
    if unseen is not None:
        return Decision("undecided", None, None, unseen)
    alike = loss is not None and 1.0 / STD_FUZZ_FACTOR <= loss <= STD_FUZZ_FACTOR
    if found.keys() <= {"close", "level"} and len(worlds) == 1 and alike:
        first = "" if best is None else f", of which the planner would take the {METHOD_NAMES[best]}"
        reason = f"two methods cost the same within 1% at the actual rows{first}"
        return Decision("undecided", best, loss, f"{reason}. To the planner such costs are equal")
    if not found.keys() <= _NOT_CROSSED or next(iter(found)) != "stays":
        return Decision("undecided", best, loss, "the evidence leaves open which method is cheaper at the actual rows")
    if open_above:
        return Decision("undecided", best, loss, open_above)
    shared = _shared(model, points.actual, method)
    if shared is not None:
        reason = f"a {METHOD_NAMES[shared]} by several processes could be cheaper, and was not priced"
        return Decision("undecided", best, loss, reason)
    return Decision("held" if misestimated else "accurate", method, 1.0 if loss is None else max(loss, 1.0))


def fitting(worlds: list[World], method: Method) -> list[World]:
    """The worlds in which the executed method leads at the estimate, as the planner found; the first if in none.

    Of several, one where it is only just beaten is kept behind those, its other methods made as dear as the choice
    proves them to be: at the edge of what the choice leaves it bounds them.
    """
    kept = [w for w in worlds if w[0].leader(w[1].estimate) == method]
    if not kept:
        return worlds[:1]
    return kept + [_as_chosen(*w, method) for w in worlds if w not in kept and _nearly(*w, method)]


def _as_chosen(model: JoinModel, points: Points, method: Method) -> World:
    """A world in which no other method is so much cheaper at the estimates that the planner would have taken it.

    What the others lack is added to them, in proportion to the rows where fewer come than were expected. A path that
    starts sooner may be no cheaper at all, any other by 1% (compare_path_costs_fuzzily in optimizer/util/pathnode.c).
    """
    here, there = points.estimate, points.actual or points.estimate
    taken = model.best_paths(here)[method]
    share = min(there.outer / max(here.outer, 1.0), there.inner / max(here.inner, 1.0), 1.0)
    total_alone = model.fraction < 1.0 or model.partial

    def lacks(way: JoinWay) -> float:
        path = model.path(way, here)
        sooner = not total_alone and path.startup_cost * STD_FUZZ_FACTOR < taken.startup_cost
        return taken.total_cost / (1.0 if sooner else STD_FUZZ_FACTOR) - path.total_cost

    ways = tuple(way if way.method == method else _dearer(way, lacks(way), here, share) for way in model.ways)
    return model.with_ways(ways), points


def _dearer(way: JoinWay, lacks: float, estimate: Point, share: float) -> JoinWay:
    if lacks <= 0.0:
        return way

    def cost(point: Point) -> PathCost:
        path = way.cost(point)
        return path._replace(total_cost=path.total_cost + lacks * (1.0 if point == estimate else share))

    return replace(way, cost=cost)


def _nearly(model: JoinModel, points: Points, method: Method) -> bool:
    """Whether a world on the plan's evidence misses the planner's choice by a little."""
    costs = model.costs(points.estimate)
    return model.basis == "plan" and method in costs and costs[method] <= _NEARLY * min(costs.values())


def trimmed(worlds: list[World]) -> list[World]:
    """The worlds after the first without the ways that are far from the cheapest at either point of it."""
    model, points = worlds[0]
    if len(worlds) == 1:
        return worlds
    near: set[tuple[object, ...]] = set()
    for point in (points.estimate, points.actual):
        if point is None:
            continue
        found = model.paths(point)
        limit = HOPELESS * min((path.total_cost for _, path in found), default=0.0)
        cheapest = {m: p.total_cost for m, p in model.best_paths(point).items()}
        for way, (method, path) in zip(model.deciding(), found, strict=True):
            if path.total_cost <= max(limit, cheapest[method]):
                near.add(_identity(way))
    unlike = {_identity(way) for way in model.ways} - near
    return [
        worlds[0],
        *((m.with_ways(tuple(w for w in m.ways if _identity(w) not in unlike)), p) for m, p in worlds[1:]),
    ]


def _identity(way: JoinWay) -> tuple[object, ...]:
    return (way.method, way.access, way.index, way.turned, way.sorts, way.merged, way.shared, way.unique)


def _outcome(
    model: JoinModel, points: Points, method: Method, permitted: frozenset[Method], fuzz: float, *, ties: bool
) -> Outcome:
    """What one world says; a lead by less than `fuzz` is no crossing, and `ties` leave open which method is taken.

    `fuzz` is more than the planner's own 1% where right estimates would change how the outer side is run. Of two paths
    within 1% the planner takes the one that starts sooner, and which one that is depends on the outer side's start.
    """
    priced = {w.method for w in model.deciding()}
    assert points.actual is not None
    if method not in priced:
        return "lacking"
    there = model.costs(points.actual)
    best = model.leader(points.actual)
    others = [c for m, c in there.items() if m != method]
    beaten = bool(others) and there[method] > STD_FUZZ_FACTOR * min(others)
    if beaten and there[method] > fuzz * min(others) and best != method:
        unseen = [w.low(points.actual) for w in model.unseen if w.method == method]
        return "close" if unseen and min(unseen) <= STD_FUZZ_FACTOR * min(others) else "crossed"
    if permitted - priced:
        return "lacking"
    tied = ties and bool(others) and min(others) <= STD_FUZZ_FACTOR * there[method]
    if beaten or tied:
        return "close"
    return "stays" if best == method else "level"


def _decided_above(model: JoinModel, points: Points, method: Method, best: Method | None) -> str:
    """Why the verdict stays open: whether one process or several run the join is decided further up, and with the other
    choice another method leads. Empty where the same one leads either way."""
    assert points.actual is not None
    rival = model.rival_elsewhere(points.actual, points.estimate)
    if rival is None or rival == best:
        return ""
    how = "several processes run" if not model.partial else "one process runs"
    return f"a {METHOD_NAMES[rival]} leads if {how} the whole query, which is decided above"


def _shared(model: JoinModel, point: Point, method: Method) -> Method | None:
    """A method that might beat the executed one if several processes shared its work, which nothing here prices."""
    mine = model.costs(point)[method]
    for other in model.costs(point):
        least = model.least_if_shared(other, point)
        if other != method and least is not None and mine > STD_FUZZ_FACTOR * least:
            return other
    return None


def _executed_shared(model: JoinModel, point: Point, method: Method) -> str:
    """Why the verdict stays open: several processes could do the executed method's work for less than the cheapest
    other method costs one process. Empty where they could not."""
    least = model.least_if_shared(method, point)
    rivals = [cost for other, cost in model.costs(point).items() if other != method]
    if least is None or not rivals or least > min(rivals):
        return ""
    return f"a {METHOD_NAMES[method]} by several processes could be cheaper still, and was not priced"


def _unseen(model: JoinModel, point: Point, method: Method) -> str | None:
    """Why the verdict stays open: a way that the evidence does not show could beat the executed method. Else None."""
    mine = model.costs(point)[method]
    for way in model.unseen:
        if way.method != method and mine > STD_FUZZ_FACTOR * way.low(point):
            return way.reason
    return None
