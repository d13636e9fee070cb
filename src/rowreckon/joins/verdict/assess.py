"""From evidence to everything that a join's document says of its costs, borders and verdict."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import field, replace

from rowreckon.counts.origin import Entering
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.document import audit as doc
from rowreckon.frozen import frozen
from rowreckon.joins.facts.inputs import Point
from rowreckon.joins.facts.missing_evidence import NOT_ANALYZED, complete_count, distinct_values, index_there
from rowreckon.joins.facts.sides import JoinFacts
from rowreckon.joins.verdict.best_evidence import JoinEvidence
from rowreckon.joins.verdict.curve import curve_points
from rowreckon.joins.verdict.method_costs import STOPS, method_costs
from rowreckon.joins.verdict.planner_scale import calibrated
from rowreckon.joins.verdict.points import Points, points_of
from rowreckon.joins.verdict.safe_origin import safe_origins
from rowreckon.joins.verdict.switch_points import OuterLine, margin, outer_lines, switch_points
from rowreckon.joins.verdict.verdict import World, decide, fitting, trimmed
from rowreckon.joins.verdict.worth_pricing import right_below
from rowreckon.joins.ways.model import METHOD_ORDER, JoinModel
from rowreckon.learned.facts import ColumnName

_MOST_PLAY_OF_EXECUTED = 1.02


@frozen
class Borders:
    """The parts of a `document.Join` that are looked up along its rows."""

    switch_points: tuple[doc.SwitchPoint, ...] = ()
    margin: doc.Margin | None = None
    curve: tuple[doc.CurvePoint, ...] = ()
    safe_origins: tuple[doc.SafeOrigin, ...] = ()


@frozen
class Assessment:
    """The parts of a `document.Join` that rest on the cost model; `reason` says why it is undecided, or not priced.

    `hangs_on` is the column on whose number of different values an undecided verdict hangs. `borders` looks them up,
    which takes as long as all the rest.
    """

    verdict: doc.Verdict
    basis: doc.Basis
    reason: str = ""
    costs: dict[doc.Method, doc.MethodCost] = field(default_factory=dict)
    residual: float | None = None
    borders: Callable[[], Borders] = Borders
    best_at_actual: doc.Method | None = None
    loss_factor: float | None = None
    missing: tuple[doc.Missing, ...] = ()
    costs_above: bool = False
    hangs_on: ColumnName | None = None


def assess(
    reckoned: ReckonedTree,
    facts: JoinFacts,
    evidence: JoinEvidence,
    threshold: float,
    origins: tuple[Entering, ...],
    *,
    inner_differs: bool,
    lacking: tuple[doc.Missing, ...],
    drawn: bool = True,
    verdict_alone: bool = False,
) -> Assessment:
    """The verdict on one join and all figures behind it; `drawn` asks for the curve too, `verdict_alone` for no more
    than the verdict and the loss."""
    count = reckoned.counts[facts.node]
    prices = [evidence.prices] if evidence.prices is not None else []
    cut = _cut_short(reckoned, facts)
    errors = [facts.outer.q_error_low, facts.inner.q_error_low, count.q_error_low]
    misestimated = any(e is not None and e >= threshold for e in errors)
    counts_known = all(e is not None for e in errors)
    if not evidence.worlds:
        return _without_model(facts, count.loops, cut, errors, misestimated, threshold, prices)
    facts = evidence.facts
    worlds: list[World] = []
    for join, uncalibrated in evidence.worlds:
        points = points_of(facts, join)
        model = calibrated(uncalibrated, evidence.planner, points.estimate, facts, reckoned)
        if not verdict_alone and not inner_differs and points.actual is not None and points.inner_moves:
            without = model.leader(points.along(points.actual.outer, inner_actual=False))
            points = replace(points, one_line=without != model.leader(points.actual))
        worlds.append((model, points))
    guessed = evidence.worlds[0][1].basis == "plan" and facts.kind in STOPS
    models = [] if guessed or verdict_alone else [m for _, m in evidence.worlds]
    residual = _residual(reckoned, facts, models, worlds[0][1].estimate)
    worlds = everything = trimmed(worlds)
    worlds = fitting(worlds, facts.method)
    model, points = worlds[0]
    permitted = frozenset(m for m in METHOD_ORDER if m not in evidence.excluded)
    outer_error = facts.outer.q_error_low
    moved = _over_join(facts, evidence) and outer_error is not None and outer_error >= 2.0
    decision = decide(
        worlds,
        facts.method,
        misestimated=misestimated,
        permitted=permitted,
        over_join=moved and not _priced_at_actual(evidence),
        moved=moved,
    )
    verdict, reason, best, loss = decision.verdict, decision.reason, decision.best, decision.loss_factor
    gone = next((join.index_gone for join, _ in evidence.worlds if join.index_gone is not None), None)
    hangs = verdict == "undecided" and _decided_with_indexes(evidence, everything, facts, permitted)
    column = next((join.open_keys for join, _ in evidence.worlds if join.open_keys is not None), None)
    counted = (
        verdict == "undecided" and column is not None and _decided_with_keys(evidence, everything, facts, permitted)
    )
    missed = _missed(reckoned, facts, [] if guessed else [m for m, _ in worlds], points.estimate)
    if verdict == "crossed" and missed is not None and loss is not None and missed > loss:
        verdict, reason = "undecided", "the model misses the executed method's printed cost by more than the difference"
    if verdict == "undecided" and counts_known and not misestimated:
        # no error that could have carried it anywhere, and no crossing is proven; what the methods cost stays as told
        verdict, reason = "accurate", within(threshold)
    missing: list[doc.Missing] = []
    hangs_on: ColumnName | None = None
    if points.actual is None:
        best = loss = None
        if count.loops is None:
            reason, missing = "the plan was not executed", [NOT_ANALYZED]
        elif count.loops == 0:
            reason = "the join never ran"
        else:
            reason, missing = "one side was not read to its end", cut
    elif verdict == "undecided" and hangs and gone is not None:
        reason = f"it hangs on an index that the schema files declare on {gone}, and no plan at hand reads"
        missing = [index_there(gone)]
    elif counted and column is not None:
        reason = f"it hangs on how many different values {column} has, which no plan at hand tells"
        missing, hangs_on = [distinct_values(column)], column
    elif verdict == "undecided" and model.basis == "plan":
        missing = prices
    if verdict_alone:
        return Assessment(verdict, model.basis, reason, best_at_actual=best, loss_factor=loss)
    executed_known = model.executed is not None
    believed = executed_known and model.leader(points.estimate) == facts.method
    # worlds in which another method would have been taken are none, unless all of them are such
    costs = method_costs(worlds, worlds if len(worlds) > 1 else everything, evidence, facts.method)
    drawable = believed and facts.made_unique != "outer"  # the executed join's outer rows are those without duplicates

    def borders() -> Borders:
        lines = outer_lines(worlds, shown_inner_differs=inner_differs)
        scale = facts.outer.divisor / facts.outer.processes
        inner_scale = 1.0 if facts.inner.parameterised else facts.inner.divisor / facts.inner.processes
        return Borders(
            switch_points=switch_points(worlds, lines, scale=scale, inner_scale=inner_scale),
            margin=margin(worlds[0], lines[0], facts.method),
            curve=curve_points(worlds[0], lines, costs, scale=scale) if drawn and verdict != "accurate" else (),
            safe_origins=_safe_origins_of(reckoned, facts, points, lines, origins) if verdict == "crossed" else (),
        )

    return Assessment(
        verdict=verdict,
        basis=model.basis,
        reason=reason,
        costs=costs,
        residual=residual,
        borders=borders if drawable else Borders,
        best_at_actual=best,
        loss_factor=loss,
        missing=(*missing, *(lacking if verdict == "undecided" else ())),
        costs_above=any(way.ordered_above for way in model.ways),
        hangs_on=hangs_on,
    )


def _decided_with_indexes(
    evidence: JoinEvidence, worlds: list[World], facts: JoinFacts, permitted: frozenset[doc.Method]
) -> bool:
    """Whether the verdict would be decided if the indexes were there that files declare, where some may be gone."""
    if all(join.index_gone is None for join, _ in evidence.worlds):
        return False
    there = [w for w, (join, _) in zip(worlds, evidence.worlds, strict=True) if join.index_gone is None]
    return _decides(there, facts, permitted)


def _decided_with_keys(
    evidence: JoinEvidence, worlds: list[World], facts: JoinFacts, permitted: frozenset[doc.Method]
) -> bool:
    """Whether the verdict would be decided without the worlds in which few values drive a loop with Memoize."""
    told = [w for w, (join, _) in zip(worlds, evidence.worlds, strict=True) if join.open_keys is None]
    return bool(told) and _decides(told, facts, permitted)


def _decides(worlds: list[World], facts: JoinFacts, permitted: frozenset[doc.Method]) -> bool:
    found = decide(fitting(worlds, facts.method), facts.method, misestimated=True, permitted=permitted)
    return found.verdict != "undecided"


def unpriced(threshold: float) -> Assessment:
    """A join whose counts are right, and of which no costs are worked out (see `joins_to_price`)."""
    reason = f"all within a factor of {right_below(threshold):g}, so that no method was priced"
    return Assessment("accurate", "plan", reason)


def within(threshold: float) -> str:
    """The words for counts of which none is called a misestimate."""
    return f"all within a factor of {threshold:g}"


def _over_join(facts: JoinFacts, evidence: JoinEvidence) -> bool:
    """Whether the outer side is more than a table."""
    return facts.outer.scan is None and not evidence.worlds[0][0].outer.single


def _priced_at_actual(evidence: JoinEvidence) -> bool:
    """Whether it is known what the outer side costs at its actual rows."""
    return any(path.actual is not None for path in evidence.worlds[0][0].outer_paths)


def _without_model(
    facts: JoinFacts,
    loops: float | None,
    cut: list[doc.Missing],
    errors: list[float | None],
    misestimated: bool,
    threshold: float,
    prices: list[doc.Missing],
) -> Assessment:
    if loops is None:
        return Assessment("undecided", "plan", "the plan was not executed", missing=(NOT_ANALYZED, *prices))
    if loops == 0:
        return Assessment("undecided", "plan", "the join never ran")
    if not misestimated and all(e is not None for e in errors):
        return Assessment("accurate", "plan", within(threshold))
    reason = "the plan alone does not tell what the other join methods would cost"
    return Assessment("undecided", "plan", reason, missing=(*cut, *prices))


def _residual(reckoned: ReckonedTree, facts: JoinFacts, models: list[JoinModel], point: Point) -> float | None:
    """Modelled ÷ printed cost of the executed way; None where the evidence leaves it open, or was solved from it."""
    printed = reckoned.tree.nodes[facts.node].total_cost
    if not printed or not models or any(m.executed is None or m.executed.solved for m in models):
        return None
    costs = [(m.executed.whole or m.executed.cost)(point).total_cost for m in models if m.executed is not None]
    if max(costs) > _MOST_PLAY_OF_EXECUTED * min(costs):
        return None
    return costs[0] / float(printed)


def _missed(reckoned: ReckonedTree, facts: JoinFacts, models: list[JoinModel], point: Point) -> float | None:
    """By what factor the executed way's printed cost is missed by the model that comes nearest, None where none is
    independent of it."""
    printed = reckoned.tree.nodes[facts.node].total_cost
    ways = [m.executed for m in models if m.executed is not None and not m.executed.solved]
    if not printed or not ways:
        return None
    ratios = [(way.whole or way.cost)(point).total_cost / float(printed) for way in ways]
    return min((max(r, 1.0 / r) for r in ratios if r > 0.0), default=None)


def _cut_short(reckoned: ReckonedTree, facts: JoinFacts) -> list[doc.Missing]:
    found: list[doc.Missing] = []
    for name, side in (("outer", facts.outer), ("inner", facts.inner)):
        if side.state == "at_least":
            found.append(complete_count(name, reckoned.counts[side.node].reach.stopped_by))
    return found


def _safe_origins_of(
    reckoned: ReckonedTree,
    facts: JoinFacts,
    points: Points,
    lines: tuple[OuterLine, ...],
    origins: tuple[Entering, ...],
) -> tuple[doc.SafeOrigin, ...]:
    outer = reckoned.tree.outer(facts.node)
    span = reckoned.tree.subtree(outer) if outer is not None else range(0)
    return safe_origins(lines[-1], points, facts, origins, span)
