"""One line a plan, for reports over many plans: verdict, share of the time, the finding at its worst join."""

from __future__ import annotations

from rowreckon.document.audit import Audit, Fold, Plan
from rowreckon.frozen import frozen
from rowreckon.report.words.escape import clean, quote
from rowreckon.report.words.headline import joins_by_weight, outcome_words, plans_by_weight
from rowreckon.report.words.join_words import VERDICT_MEANS, brief_sentence, verdict_sentence
from rowreckon.report.words.numbers import count_of, listed, milliseconds, number, times
from rowreckon.report.words.time_words import join_time, judged_joins


@frozen
class PlanLine:
    """One plan in a row: `index` into the audit's plans."""

    index: int
    verdict: str
    source: str
    time: str
    share: str
    finding: str
    brief: str


def plan_line(plan: Plan, index: int) -> PlanLine:
    """The plan's row."""
    joins = joins_by_weight(plan)
    verdict: str = joins[0].verdict if joins else "no join"
    outcome = outcome_words(plan)
    finding = outcome or (verdict_sentence(joins[0]) if joins else "no join to judge")
    if outcome and not joins:
        verdict = plan.outcome.replace("_", " ")
    share = join_time(plan, judged_joins(plan)).share or "–"
    time = milliseconds(plan.execution_ms) if plan.execution_ms is not None else "–"
    brief = outcome or (brief_sentence(joins[0]) if joins else finding)
    return PlanLine(index, verdict, quote(plan.source, 120), time, share, finding, brief)


def plan_lines(audit: Audit) -> tuple[PlanLine, ...]:
    """All plans, the worst first."""
    return tuple(plan_line(audit.plans[index], index) for index in plans_by_weight(audit))


def counts_words(audit: Audit) -> str:
    """'1 plan, 3 joins: 1 crossed, 2 accurate; 4 misestimated nodes', from the document's summary."""
    total = audit.summary
    kinds = [(total.crossed, "crossed"), (total.held, "held"), (total.undecided, "undecided")]
    parts = [f"{number(n)} {word}" for n, word in [*kinds, (total.accurate, "accurate")] if n]
    said = f"{count_of(total.plans, 'plan')}, {count_of(total.joins, 'join')}"
    if parts:
        said += f": {listed(parts)}"
    return f"{said}; {count_of(total.misestimated_nodes, 'misestimated node')}."


def verdict_legend(audit: Audit) -> str:
    """What the verdicts that occur mean."""
    seen = {join.verdict for plan in audit.plans for join in plan.joins}
    return "; ".join(f"{verdict}: {meaning}" for verdict, meaning in VERDICT_MEANS.items() if verdict in seen)


def fold_row(fold: Fold) -> tuple[str, str, str, str, str, str]:
    """A recurring query: its text or fingerprint, how often, first and last, crossed, time lost, q-errors."""
    span = " to ".join(clean(at) for at in (fold.first, fold.last) if at)
    errors = "; ".join(f"{clean(name)} {times(value)}" for name, value in sorted(fold.q_errors.items()))
    return (
        quote(fold.query or fold.fingerprint, 60),
        number(fold.times),
        span or "–",
        number(fold.crossed),
        milliseconds(fold.lost_ms) if fold.lost_ms is not None else "–",
        errors or "–",
    )
