"""The costs that a join's document lists: per method, and for each way to run it."""

from __future__ import annotations

from rowreckon.cost import STD_FUZZ_FACTOR
from rowreckon.document.audit import Basis, Method, MethodCost, Way
from rowreckon.joins.facts.inputs import Point
from rowreckon.joins.verdict.best_evidence import JoinEvidence
from rowreckon.joins.verdict.verdict import World
from rowreckon.joins.ways.model import METHOD_ORDER, JoinModel

STOPS = frozenset({"Semi", "Anti", "Right Semi", "Right Anti"})
"""Join types of which a plan tells neither how many rows match nor what removing duplicates first would bring."""

_OPEN: tuple[None, None] = (None, None)

MOST_PLAY = 2.5
"""A figure is given where the dearest reading of the evidence is at most this many times the cheapest."""


def method_costs(
    worlds: list[World], all_worlds: list[World], evidence: JoinEvidence, executed: Method
) -> dict[Method, MethodCost]:
    """The cheapest existing way of each method at both points, with all ways listed.

    `worlds` agree with the planner's choice, the first gives the figures; `all_worlds` say how far a figure can be
    trusted.
    """
    model, points = worlds[0]
    found: dict[Method, MethodCost] = {}
    at_estimate = model.costs(points.estimate)
    at_actual = model.costs(points.actual) if points.actual is not None else {}
    if model.executed is not None:
        at_estimate[executed] = model.cost(model.executed, points.estimate)
    others = [(m.costs(p.estimate), m.costs(p.actual) if p.actual is not None else {}) for m, p in all_worlds]
    least = _least_of_others(model, at_estimate.get(executed), executed)
    near = _reach(model, points.estimate, at_estimate, [o[0] for o in others], executed, least)
    there = (
        _reach(model, points.actual, at_actual, [o[1] for o in others], executed, 0.0)
        if points.actual is not None
        else {}
    )
    at_estimate, near = _sure_figures(at_estimate, near)
    at_actual, there = _sure_figures(at_actual, there)
    told = [_of_ways(model, point) for point in (points.estimate, points.actual)]
    for method in METHOD_ORDER:
        if method in evidence.excluded:
            continue
        ways = [w for w in model.ways if w.method == method]
        figure = evidence.planner.get(method)
        reason = figure.reason if figure is not None else None
        basis: Basis | None = _basis(model, method)
        scaled = method in model.scale
        found[method] = MethodCost(
            at_estimate=at_estimate.get(method),
            at_estimate_low=near.get(method, _OPEN)[0],
            at_estimate_high=near.get(method, _OPEN)[1],
            at_actual=at_actual.get(method),
            at_actual_low=there.get(method, _OPEN)[0],
            at_actual_high=there.get(method, _OPEN)[1],
            basis_at_estimate=("planner" if scaled else basis) if method in at_estimate else None,
            basis_at_actual=basis if method in at_actual else None,
            comparable=reason is None,
            not_comparable_reason=reason,
            ways=tuple(
                Way.model_construct(
                    access=f"gather of {w.access}".rstrip() if w.gathered else w.access,
                    index=w.index,
                    hypothetical=not w.existing,
                    sides_turned=w.turned,
                    at_estimate=told[0].get(id(w)),
                    at_actual=told[1].get(id(w)),
                )
                for w in ways
            ),
        )
    return found


def _of_ways(model: JoinModel, point: Point | None) -> dict[int, float]:
    """What each way costs at a point, by its identity."""
    if point is None:
        return {}
    found = {id(w): p.total_cost for w, (_, p) in zip(model.deciding(), model.paths(point), strict=True)}
    found.update({id(w): model.cost(w, point) for w in model.ways if not w.existing})
    return found


def _reach(
    model: JoinModel,
    point: Point,
    costs: dict[Method, float],
    others: list[dict[Method, float]],
    executed: Method,
    least: float,
) -> dict[Method, tuple[float, float]]:
    """Between which costs all worlds, and the ways that may be there unseen, leave each method."""
    found: dict[Method, tuple[float, float]] = {}
    for method, cost in costs.items():
        told = [cost, *(o[method] for o in others if method in o)]
        if method != executed:
            told += [way.low(point) for way in model.unseen if way.method == method]
            told = [cost, *(max(t, min(cost, least)) for t in told)]
        found[method] = (min(told), max(told))
    return found


def _sure_figures(
    costs: dict[Method, float], reach: dict[Method, tuple[float, float]]
) -> tuple[dict[Method, float], dict[Method, tuple[float, float]]]:
    """The costs that are sure enough to be printed as a figure, and the bounds of the others."""
    kept = {m: cost for m, cost in costs.items() if reach[m][1] <= MOST_PLAY * max(reach[m][0], 1e-9)}
    return kept, {m: bounds for m, bounds in reach.items() if m not in kept}


def _least_of_others(model: JoinModel, chosen: float | None, executed: Method) -> float:
    """What any other method costs at least at the estimates, as the planner left it: add_path in
    optimizer/util/pathnode.c. A merge join or a nested loop may have been kept for its order, a hash join never is."""
    if chosen is None or model.fraction < 1.0 or executed != "hash":
        return 0.0
    return chosen / STD_FUZZ_FACTOR


def _basis(model: JoinModel, method: Method) -> Basis | None:
    bases = {w.basis for w in model.deciding() if w.method == method}
    if not bases:
        return None
    return "plan" if "plan" in bases else "catalog"
