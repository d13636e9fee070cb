"""The verdict on one join: did the error carry it past a border between join methods?"""

from __future__ import annotations

from dataclasses import dataclass

from rowreckon.cost import STD_FUZZ_FACTOR
from rowreckon.report.document import Method, Verdict

from .inputs import Point
from .model import JoinModel
from .points import Points


@dataclass(frozen=True, slots=True)
class Decision:
    """A verdict with the figures that it rests on; `reason` says why it is undecided, else empty."""

    verdict: Verdict
    best: Method | None
    loss_factor: float | None
    reason: str = ""


def decide(
    model: JoinModel, points: Points, method: Method, *, misestimated: bool, permitted: frozenset[Method]
) -> Decision:
    """The verdict by the model's costs at both points.

    The executed method has to lead at the estimate, as it did for the planner. It is `crossed` where another leads at
    the actual and is more than 1% cheaper, whatever the evidence's play; where the play allows both, `undecided`.
    """
    if points.actual is None:
        return Decision("undecided", None, None, "the rows that would have come are not known")
    priced = {w.method for w in model.deciding()}
    if method not in priced:
        return Decision("undecided", None, None, "the executed method's cost can't be worked out")
    here, there = model.costs(points.estimate), model.costs(points.actual)
    best = model.leader(points.actual)
    assert best is not None
    loss = there[method] / there[best] if there[best] > 0 else None
    lacking = permitted - priced
    if not _leads(model, points.estimate, method):
        cheaper = min((m for m in here if m != method), key=lambda m: here[m])
        reason = f"by this model the planner would have taken a {_name(cheaper)} already at its own estimates"
        return Decision("undecided", best, loss, reason)
    surely_beaten, may_be_beaten = _beaten(model, points.actual, method)
    if surely_beaten and best != method:
        return Decision("crossed", best, loss)
    if lacking:
        names = " and a ".join(_name(m) for m in sorted(lacking))
        return Decision("undecided", None, None, f"what a {names} would have cost can't be worked out")
    unseen = _unseen(model, points.actual, method)
    if unseen is not None:
        return Decision("undecided", None, None, f"the plan does not tell whether there is {unseen}")
    if may_be_beaten or best != method:
        return Decision("undecided", best, loss, "the evidence leaves open which method is cheaper at the actual rows")
    return Decision("held" if misestimated else "accurate", method, 1.0 if loss is None else max(loss, 1.0))


def _leads(model: JoinModel, point: Point, method: Method) -> bool:
    """Whether the method may lead at a point: in its best case against the others' worst."""
    paths = model.best_paths(point, "high")
    paths[method] = model.best_paths(point, "low")[method]
    return model.pick(paths) == method


def _beaten(model: JoinModel, point: Point, method: Method) -> tuple[bool, bool]:
    """Whether another method is more than 1% cheaper for sure, and whether one may be."""
    low, high = model.costs(point, "low"), model.costs(point, "high")
    others_high = [c for m, c in high.items() if m != method]
    others_low = [c for m, c in low.items() if m != method]
    surely = bool(others_high) and low[method] > STD_FUZZ_FACTOR * min(others_high)
    maybe = bool(others_low) and high[method] > STD_FUZZ_FACTOR * min(others_low)
    return surely, maybe


def _unseen(model: JoinModel, point: Point, method: Method) -> str | None:
    """What a hidden way would need that could beat the executed method, None where none could."""
    high = model.costs(point, "high")[method]
    for way in model.hidden:
        if way.method != method and high > STD_FUZZ_FACTOR * way.low(point):
            return way.what
    return None


def _name(method: Method) -> str:
    return {"nested_loop": "nested loop", "hash": "hash join", "merge": "merge join"}[method]
