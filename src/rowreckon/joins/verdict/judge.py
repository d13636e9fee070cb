"""Every join of a plan, judged."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache, partial
from typing import TYPE_CHECKING, Any, Literal

from rowreckon.document import audit as doc
from rowreckon.frozen import frozen
from rowreckon.joins.facts.catalog_facts import CatalogFacts
from rowreckon.joins.facts.declared_indexes import DeclaredIndexes
from rowreckon.joins.facts.missing_evidence import MissingList, distinct_values
from rowreckon.joins.facts.row_visits import row_visits
from rowreckon.joins.facts.settings import settings_of
from rowreckon.joins.facts.sides import Aliases, JoinFacts, Side, join_facts
from rowreckon.joins.from_plan.whole_table_scans import RelationEvidence, SeenRelation
from rowreckon.joins.learning.used import plans_used
from rowreckon.joins.verdict.assess import Assessment, assess, unpriced
from rowreckon.joins.verdict.best_evidence import JoinEvidence, gather, gather_all
from rowreckon.joins.verdict.curve import MOST_CURVES
from rowreckon.joins.verdict.open_values import shares_of_values
from rowreckon.joins.verdict.turning import turning
from rowreckon.joins.verdict.why import sentence
from rowreckon.joins.verdict.worth_pricing import PRICED_WHOLE, joins_to_price
from rowreckon.learned.facts import NOTHING_LEARNED, LearnedFacts

if TYPE_CHECKING:
    from rowreckon.capture import Capture
    from rowreckon.counts.origin import Origins
    from rowreckon.counts.reckon import ReckonedTree


When = Literal["now", "kept"] | Callable[[], dict[str, Any]]
"""When a join's borders are looked up: now, or when somebody asks, with all that it takes kept until then. A function
gives those of an accurate join anew, for which nothing is kept; any other is then looked at now."""


@frozen
class JoinVerdicts:
    """The joins of one plan in pre-order, and the evidence that would decide more (`Join.missing` points into it)."""

    joins: tuple[doc.Join, ...]
    missing: tuple[doc.Missing, ...]


def judge_joins(
    capture: Capture,
    reckoned: ReckonedTree,
    origins: Origins,
    *,
    threshold: float = 10.0,
    curves: bool = True,
    own_ms: Sequence[float | None] | None = None,
    learned: LearnedFacts = NOTHING_LEARNED,
    borders: bool = True,
) -> JoinVerdicts:
    """The verdict on every join of a plan.

    `threshold` is the q-error from which a side or an output counts as misestimated; `curves` asks for those of
    the first joins; `own_ms` is each node's own time, where it was worked out already; `learned` is what other
    plans tell of this one's relations. Without `borders` those of a long plan, and of accurate joins of any, are
    looked up when somebody asks for them. Never raises on a plan that was parsed; pure.
    """
    missing = MissingList()
    settings, lacking = settings_of(capture, reckoned.tree)
    catalog = capture.catalog
    known = CatalogFacts(catalog, reckoned.tree, settings) if catalog is not None else None
    aliases = Aliases(reckoned.tree)
    declared = DeclaredIndexes(capture.declared, reckoned.tree) if capture.declared is not None else None
    dumped = {} if declared is None else {name: SeenRelation(*size) for name, size in declared.sizes().items()}
    relations = RelationEvidence(settings, reckoned, learned, dumped)
    found = [join_facts(reckoned, number, aliases) for number in reckoned.tree.joins()]
    paths = reckoned.tree.paths() if found else []
    whole = SharedByJoins(
        reckoned, origins, paths, tuple(lacking), threshold, learned, capture.name, declared, relations
    )
    priced = joins_to_price(reckoned, found, threshold=threshold, own_ms=own_ms)
    needed = found if known is not None else [facts for facts in found if facts.node in priced]
    evidence = gather_all(settings, capture, reckoned, needed, known, relations, declared)

    def verdict_of(facts: JoinFacts, held: JoinEvidence) -> doc.Verdict:
        differs = _differs(_told_side(reckoned, facts.inner))
        return assess(
            reckoned, facts, held, threshold, (), inner_differs=differs, lacking=(), verdict_alone=True
        ).verdict

    def verdict_with(facts: JoinFacts, other: LearnedFacts) -> doc.Verdict:
        told = RelationEvidence(settings, reckoned, other)
        return verdict_of(facts, gather(settings, capture, reckoned, facts, known, told, declared=declared))

    @cache
    def anew() -> tuple[doc.Join, ...]:
        return judge_joins(
            capture, reckoned, origins, threshold=threshold, curves=curves, own_ms=own_ms, learned=learned
        ).joins

    # What is kept to be asked has its whole model, as large as ten nodes: a folder of everyday plans holds none.
    kept = not borders and len(found) > PRICED_WHOLE
    joins: list[doc.Join] = []
    for facts in found:
        drawn = curves and len(joins) < MOST_CURVES
        held = evidence[facts.node] if facts.node in priced else None
        if held is not None and held.learned and learned.sizes and verdict_of(facts, held) == "undecided":
            # more evidence never decides less
            alone = gather(settings, capture, reckoned, facts, known, relations.by_this_plan(), declared=declared)
            if verdict_of(facts, alone) != "undecided":
                held = replace(alone, learned=False)
        when: When = "kept" if kept else "now"
        if not borders and not kept and held is not None:
            when = partial(_of_join, anew, len(joins))
        joins.append(_judge(whole, facts, held, missing, verdict_with, drawn=drawn, when=when))
    return JoinVerdicts(joins=tuple(joins), missing=missing.items())


@frozen
class SharedByJoins:
    """What all joins of a plan share."""

    reckoned: ReckonedTree
    origins: Origins
    paths: Sequence[tuple[int, ...]]
    lacking: tuple[doc.Missing, ...]
    threshold: float
    learned: LearnedFacts
    name: str
    declared: DeclaredIndexes | None
    relations: RelationEvidence


def _judge(
    whole: SharedByJoins,
    facts: JoinFacts,
    evidence: JoinEvidence | None,
    missing: MissingList,
    verdict_with: Callable[[JoinFacts, LearnedFacts], doc.Verdict],
    *,
    drawn: bool,
    when: When,
) -> doc.Join:
    """One join's document; without `evidence` its counts are right, and nothing is priced. `verdict_with` judges a join
    with other facts learned. For `when` its borders are looked up see `When`."""
    reckoned = whole.reckoned
    count = reckoned.counts[facts.node]
    outer, inner = _told_side(reckoned, facts.outer), _told_side(reckoned, facts.inner)
    origins = whole.origins.explaining(reckoned, facts.node)
    result: Assessment = (
        unpriced(whole.threshold)
        if evidence is None
        else assess(
            reckoned,
            facts,
            evidence,
            whole.threshold,
            origins,
            inner_differs=_differs(inner),
            lacking=whole.lacking,
            drawn=drawn,
        )
    )
    if result.hangs_on is not None and drawn:
        shares = shares_of_values(result.hangs_on, whole.relations, reckoned, facts, partial(verdict_with, facts))
        told = distinct_values(result.hangs_on, shares)
        kept = tuple(told if m == distinct_values(result.hangs_on) else m for m in result.missing)
        result = replace(result, missing=kept)
    rests = evidence is not None and evidence.learned and result.basis == "plan"
    learned_from = plans_used(whole.learned, reckoned, facts, whole.name) if rests else ()
    if rests and whole.declared is not None:
        learned_from += tuple(n for n in whole.declared.relied_on(facts, whole.name) if n not in learned_from)
    limits: tuple[doc.FactLimit, ...] = ()
    if learned_from and drawn and result.verdict in ("crossed", "held"):
        limits = turning(whole.learned, reckoned, facts, result.verdict, partial(verdict_with, facts))
    values: dict[str, Any] = {
        "node": facts.node,
        "path": whole.paths[facts.node],
        "method": facts.method,
        "join_type": facts.join_type,
        "condition": facts.condition,
        "equality": facts.equality,
        "outer": outer,
        "inner": inner,
        "q_error": _number(count.q_error),
        "direction": count.direction,
        "verdict": result.verdict,
        "basis": result.basis,
        "costs": result.costs,
        "excluded": {} if evidence is None else evidence.excluded,
        "residual": _number(result.residual),
        "switch_points": (),
        "margin": None,
        "inner_rows_per_outer": _per_outer(facts),
        "best_at_actual": result.best_at_actual,
        "loss_factor": _number(result.loss_factor),
        "contest": None,
        "scale": _number(facts.scale),
        "row_visits": row_visits(facts),
        "curve": (),
        "why": "",
        "missing": tuple(missing.add(m) for m in result.missing),
        "origin": tuple(e.node for e in origins),
        "safe_origins": (),
        "learned_from": learned_from,
        "turns_at": limits,
        "asked_of": _asked_of(result, evidence),
        "costs_above": result.costs_above,
    }

    if evidence is None:
        join = doc.Join.trusted(values)
        values["why"] = sentence(join, whole.threshold, result.reason)  # nobody has seen the join without it
        return join

    def borders() -> dict[str, Any]:
        found = result.borders()
        told = {
            "switch_points": found.switch_points,
            "margin": found.margin,
            "curve": found.curve,
            "safe_origins": found.safe_origins,
        }
        return told | {"why": sentence(doc.Join.trusted(values | told), whole.threshold, result.reason)}

    if when == "kept":
        return doc.Join.with_borders_when_asked(values, borders)
    if when == "now" or result.verdict != "accurate":
        return doc.Join.trusted(values | borders())
    return doc.Join.with_borders_when_asked(values, when)


def _of_join(joins: Callable[[], Sequence[doc.Join]], number: int) -> dict[str, Any]:
    """The borders of one of these joins, which are judged when this is called."""
    join = joins()[number]
    return {name: getattr(join, name) for name in doc.BORDERS}


def _asked_of(result: Assessment, evidence: JoinEvidence | None) -> doc.AskedOf | None:
    """Whose planner gave the costs that are the planner's own; None where none is."""
    if evidence is None:
        return None
    for method, cost in result.costs.items():
        if cost.basis_at_estimate == "planner" and method in evidence.planner:
            return evidence.planner[method].asked_of
    return None


def _number(value: float | None) -> float | None:
    return None if value is None else float(value)


def _told_side(reckoned: ReckonedTree, side: Side) -> doc.JoinSide:
    count = reckoned.counts[side.node]
    return doc.JoinSide.trusted(
        {
            "node": side.node,
            "estimated_rows": _number(count.estimate),
            "actual_rows": _number(count.actual),
            "count": count.state,
            "tables": tuple(reckoned.tables[side.node]),
            "in_each_of": reckoned.each_whole(side.node),
        }
    )


def _differs(inner: doc.JoinSide) -> bool:
    """Whether the inner side's actual rows are known and not what was expected."""
    expected, came = inner.estimated_rows, inner.actual_rows
    return expected is not None and came is not None and round(expected) != round(came)


def _per_outer(facts: JoinFacts) -> doc.RowsPerOuter | None:
    outer = facts.outer
    if outer.planner_rows <= 0:
        return None
    actual = None
    if facts.output_actual is not None and outer.actual_rows:
        actual = facts.output_actual / outer.actual_rows
    return doc.RowsPerOuter.trusted({"estimated": facts.output_rows / outer.planner_rows, "actual": actual})
