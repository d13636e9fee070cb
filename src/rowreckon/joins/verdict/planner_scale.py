"""Calibration: the model's curves are taken through the server's own figures at the estimates."""

from __future__ import annotations

from dataclasses import replace

from rowreckon.cost import PathCost
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.document.audit import Method
from rowreckon.joins.facts.inputs import Point
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.joins.verdict.planner_figures import PlannerFigure
from rowreckon.joins.ways.model import JoinModel

_LEAST_SCALE, _MOST_SCALE = 0.05, 20.0


def calibrated(
    model: JoinModel,
    figures: dict[Method, PlannerFigure],
    estimate: Point,
    facts: JoinFacts,
    reckoned: ReckonedTree,
) -> JoinModel:
    """The model scaled, method by method, to what the server said; unchanged where it said nothing.

    What the outer side costs is the server's own figure already, so only the rest is scaled. The executed method is
    scaled to its printed cost as soon as another one is.
    """
    told = {m: f.total_cost for m, f in figures.items() if f.total_cost is not None}
    printed, executed = reckoned.tree.nodes[facts.node].total_cost, model.executed
    if not told or executed is None or printed is None:
        return model
    gathered = executed.gathered
    if model.fraction < 1.0 or _costs_more_above(model, estimate):
        return model  # the server's figures are those of the whole output, as the join gives it
    told[facts.method] = float(printed)
    if gathered and executed.whole is not None:
        on_top = executed.cost(estimate).total_cost - executed.whole(estimate).total_cost
        told = {method: total + on_top for method, total in told.items()}
    best: dict[Method, PathCost] = {}
    for method, path in model.paths(estimate):
        alike = not model.gathers or (path.kind == "Gather") == gathered
        if alike and (method not in best or path.total_cost < best[method].total_cost):
            best[method] = path
    scale: dict[Method, float] = {}
    for method, total in told.items():
        if method not in best:
            continue
        base = min(model.base_cost, total, best[method].total_cost)
        modelled = best[method].total_cost - base
        if modelled > 0.0:
            scale[method] = min(max((total - base) / modelled, _LEAST_SCALE), _MOST_SCALE)
    return replace(model, scale=scale, _kept={}, _best={})


def _costs_more_above(model: JoinModel, estimate: Point) -> bool:
    """Whether what puts rows in the order that is wanted adds to the cost of those ways that do not give it."""
    way = next((w for w in model.ways if w.ordered_above and w.existing), None)
    if way is None or way.whole is None:
        return False
    return way.cost(estimate).total_cost != way.whole(estimate).total_cost
