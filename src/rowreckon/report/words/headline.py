"""The first sentence of every report. 'No join crossed' never reads as all clear while time or evidence is missing."""

from __future__ import annotations

from rowreckon.document.audit import Audit, Join, Plan
from rowreckon.report.words.escape import clean, quote
from rowreckon.report.words.join_words import verdict_sentence
from rowreckon.report.words.numbers import capitalised, listed, number
from rowreckon.report.words.once import once_a_plan
from rowreckon.report.words.sentences import in_sentences
from rowreckon.report.words.time_words import join_time, judged_joins

_RANK = {"crossed": 0, "undecided": 1, "held": 3, "accurate": 5}
_TRIFLE = 2  # the rank of a crossing that hardly matters
_OPEN_TRIFLE = 4  # of a join that is undecided and takes less than a tenth of the time
_LITTLE = 0.1
MATTERS = 1.1
"""A crossing that costs less than a tenth more than the cheapest method hardly matters, and never leads."""


def hardly_matters(join: Join) -> bool:
    """Whether a join crossed for a loss of less than a tenth."""
    return join.verdict == "crossed" and join.loss_factor is not None and join.loss_factor < MATTERS


def _weight(plan: Plan, join: Join) -> tuple[int, float, float, float, float, int]:
    loss = join.loss_factor or 1.0
    spent = join_time(plan, [join]).ms
    lost = (spent or 0.0) * (1 - 1 / loss) if loss > 1.0 else 0.0
    margin = None if plan.analyzed else join.margin
    frail = min((f for f in ((margin.up, margin.down) if margin else ()) if f is not None), default=1e300)
    rank = _TRIFLE if hardly_matters(join) else _RANK[join.verdict]
    if join.verdict == "undecided" and spent is not None and spent < _LITTLE * (plan.execution_ms or 0.0):
        rank = _OPEN_TRIFLE
    return (rank, -lost, -loss if spent is None else -spent, -loss, frail, join.node)


@once_a_plan
def joins_by_weight(plan: Plan) -> tuple[Join, ...]:
    """The plan's joins, the worst first: verdict, then the time that the loss factor says is lost, then the time that
    the join takes. What is undecided in a join that takes next to no time does not lead before one that takes more."""
    return tuple(sorted(plan.joins, key=lambda join: (_weight(plan, join), -(join.q_error or 0))))


def plans_by_weight(audit: Audit) -> list[int]:
    """Indexes of the plans, the worst first; among equals the longer-running first, then input order."""

    def weight(index: int) -> tuple[int, float, float, int]:
        plan = audit.plans[index]
        joins = joins_by_weight(plan)
        if not joins:
            return (5, 0.0, -(plan.execution_ms or 0.0), index)
        rank, lost, *_ = _weight(plan, joins[0])
        return (rank, lost, -(plan.execution_ms or 0.0), index)

    return sorted(range(len(audit.plans)), key=weight)


def outcome_words(plan: Plan) -> str:
    """How the run ended, where it did not end well; else empty."""
    if plan.outcome == "ran":
        return ""
    said = {
        "timed_out": "the query was cancelled at its time limit",
        "failed": "the query failed",
        "refused": "the query was refused and not run",
        "skipped": "the query was skipped",
    }[plan.outcome]
    if plan.line is not None:
        said += f", line {number(plan.line)}"
    if plan.sqlstate:
        said += f", SQLSTATE {quote(plan.sqlstate, 20)}"
    if plan.reason:
        said += f": {clean(plan.reason).rstrip('.')}"
    return said


def _without_crossed(plan: Plan) -> str:
    """What may be said where nothing crossed: how many were decided, and why this is no all clear."""
    if not plan.joins:
        return "No join to judge in this plan, so nothing is said about its speed"
    undecided = sum(join.verdict == "undecided" for join in plan.joins)
    held = sum(join.verdict == "held" for join in plan.joins)
    trifles = sum(hardly_matters(join) for join in plan.joins)
    total = len(plan.joins)
    if undecided == total:
        if total == 1:
            return f"No verdict: {verdict_sentence(plan.joins[0])}"
        why = " for want of evidence" if plan.missing else ""
        return f"No verdict: all {number(total)} joins are undecided{why}"
    if total == 1:
        said = [f"The one join did not cross: {verdict_sentence(plan.joins[0])}"]
    else:
        parts = [
            (trifles, "crossed for less than a tenth"),
            (total - trifles - held - undecided, "accurate"),
            (held, "misestimated but held"),
            (undecided, "undecided"),
        ]
        none = "No crossing that matters" if trifles else "No crossed join"
        said = [f"{none} among {number(total)}: {listed([f'{number(n)} {word}' for n, word in parts if n])}"]
    if plan.missing:
        said.append("evidence is missing that could tell more")
    judged = judged_joins(plan)
    spent = join_time(plan, judged or list(plan.joins))
    if spent.ms is None or not spent.of:
        said.append("how the time splits is not known")
    elif judged and spent.ms < spent.of / 2:
        said.append("most of the time goes elsewhere")
    elif not judged and plan.time_elsewhere:
        said.append("no misestimate explains where the time goes")
    return in_sentences(said)


@once_a_plan
def plan_headline(plan: Plan) -> str:
    """The plan's finding with its share of the time, in short sentences."""
    outcome = outcome_words(plan)
    start = f"{capitalised(outcome)}. " if outcome else ""
    joins = joins_by_weight(plan)
    if joins and joins[0].verdict == "crossed":
        count = sum(_crossed_for_much(join) for join in joins)
        more = "" if count <= 1 else f"{number(count)} joins crossed a switch point; the worst: "
        said = f"{more}{verdict_sentence(joins[0])}"
        return f"{start}{capitalised(said)}."
    return f"{start}{_without_crossed(plan)}."


def _crossed_for_much(join: Join) -> bool:
    return join.verdict == "crossed" and not hardly_matters(join)
