"""Every join of a plan, judged."""

from __future__ import annotations

from dataclasses import dataclass

from rowreckon.capture import Capture
from rowreckon.counts.origin import Origins
from rowreckon.counts.reckon import ReckonedTree
from rowreckon.plan.nodes import JoinNode
from rowreckon.report import document as doc

from .methods import excluded_methods
from .reasons import NOT_ANALYZED, MissingList, catalog_facts, complete_count
from .sides import Aliases, JoinFacts, Side, join_facts
from .visits import row_visits


@dataclass(frozen=True)
class JoinVerdicts:
    """The joins of one plan in pre-order, and the evidence that would decide more (`Join.missing` points into it)."""

    joins: tuple[doc.Join, ...]
    missing: tuple[doc.Missing, ...]


def judge_joins(capture: Capture, reckoned: ReckonedTree, origins: Origins, *, threshold: float = 10.0) -> JoinVerdicts:
    """The verdict on every join of a plan.

    `threshold` is the q-error from which a side or an output counts as misestimated. Never raises on a plan that
    was parsed; pure.
    """
    missing = MissingList()
    aliases = Aliases(reckoned.tree)
    joins = [
        _judge(reckoned, origins, number, aliases, missing, threshold)
        for number in reckoned.tree.joins()
        if isinstance(reckoned.tree.nodes[number], JoinNode)
    ]
    return JoinVerdicts(joins=tuple(joins), missing=missing.items())


def _judge(
    reckoned: ReckonedTree, origins: Origins, number: int, aliases: Aliases, missing: MissingList, threshold: float
) -> doc.Join:
    facts = join_facts(reckoned, number, aliases)
    count = reckoned.counts[number]
    verdict, why, lacking = _first_verdict(reckoned, facts, threshold)
    return doc.Join(
        node=number,
        path=reckoned.tree.path(number),
        method=facts.method,
        join_type=facts.join_type,
        condition=facts.condition,
        equality=facts.equality,
        outer=_side(reckoned, facts.outer),
        inner=_side(reckoned, facts.inner),
        q_error=count.q_error,
        direction=count.direction,
        verdict=verdict,
        basis="plan",
        excluded=excluded_methods(facts),
        scale=facts.scale,
        row_visits=row_visits(facts),
        inner_rows_per_outer=_per_outer(facts),
        why=why,
        missing=tuple(missing.add(m) for m in lacking),
        origin=tuple(e.node for e in origins.of(number)),
    )


def _first_verdict(
    reckoned: ReckonedTree, facts: JoinFacts, threshold: float
) -> tuple[doc.Verdict, str, list[doc.Missing]]:
    count = reckoned.counts[facts.node]
    if count.loops is None:
        return "undecided", "The plan was not executed, so nothing tells how far its estimates are off.", [NOT_ANALYZED]
    errors = (facts.outer.q_error_low, facts.inner.q_error_low, count.q_error_low)
    if all(e is not None and e < threshold for e in errors):
        return "accurate", f"Both sides and the output came within a factor of {threshold:g} of the estimate.", []
    for name, side in (("outer", facts.outer), ("inner", facts.inner)):
        if side.q_error_low is None:
            stopped = reckoned.counts[side.node].reach.stopped_by
            return "undecided", f"The {name} side was not read to its end.", [complete_count(name, stopped)]
    tables = tuple(reckoned.tables[facts.node])
    lacking = catalog_facts(tables, "the plan alone does not tell what the other join methods would cost")
    return "undecided", "The plan alone does not tell what the other join methods would cost.", [lacking]


def _side(reckoned: ReckonedTree, side: Side) -> doc.JoinSide:
    count = reckoned.counts[side.node]
    return doc.JoinSide(
        node=side.node,
        estimated_rows=count.estimate,
        actual_rows=count.actual,
        count=count.state,
        tables=tuple(reckoned.tables[side.node]),
    )


def _per_outer(facts: JoinFacts) -> doc.RowsPerOuter | None:
    outer = facts.outer
    if outer.planner_rows <= 0:
        return None
    actual = None
    if facts.output_actual is not None and outer.actual_rows:
        actual = facts.output_actual / outer.actual_rows
    return doc.RowsPerOuter(estimated=facts.output_rows / outer.planner_rows, actual=actual)
