"""What a report tells of an audit as a whole: its counts, what recurs in it, what could not be read."""

from __future__ import annotations

from collections.abc import Mapping

from rowreckon.document.audit import Audit, Fold
from rowreckon.report.words.escape import clean, quote
from rowreckon.report.words.facts_words import moment
from rowreckon.report.words.join_words import VERDICT_MEANS
from rowreckon.report.words.numbers import count_of, listed, milliseconds, number, times
from rowreckon.report.words.sentences import in_sentences


def nothing_audited(audit: Audit) -> str:
    """The finding where there is no plan."""
    if audit.rejected:
        return f"Nothing was audited: {count_of(len(audit.rejected), 'input')} could not be read."
    return "Nothing was audited: no plan was given."


def counts_words(audit: Audit) -> str:
    """'1 plan, 3 joins: 1 crossed, 2 accurate. 4 nodes are misestimated.', from the document's summary."""
    total = audit.summary
    kinds = [(total.crossed, "crossed"), (total.held, "held"), (total.undecided, "undecided")]
    parts = [f"{number(n)} {word}" for n, word in [*kinds, (total.accurate, "accurate")] if n]
    said = f"{count_of(total.plans, 'plan')}, {count_of(total.joins, 'join')}"
    if parts:
        said += f": {listed(parts)}"
    nodes = total.misestimated_nodes
    return f"{said}. {count_of(nodes, 'node is', 'nodes are') if nodes else 'No node is'} misestimated."


def verdict_legend(audit: Audit) -> str:
    """What the verdicts that occur mean."""
    seen = {join.verdict for plan in audit.plans for join in plan.joins}
    return in_sentences(f"{verdict}: {meaning}" for verdict, meaning in VERDICT_MEANS.items() if verdict in seen)


def fold_row(fold: Fold) -> tuple[str, str, str, str, str, str]:
    """A recurring query: its text or fingerprint, how often, first and last, crossed, time lost, q-errors."""
    span = " to ".join(dict.fromkeys(clean(moment(at)) for at in (fold.first, fold.last) if at))
    errors = _errors_words(fold.q_errors)
    return (
        quote(fold.query or fold.fingerprint, 60),
        number(fold.times),
        span or "–",
        number(fold.crossed),
        milliseconds(fold.lost_ms) if fold.lost_ms is not None else "–",
        errors or "–",
    )


def _errors_words(q_errors: Mapping[str, float]) -> str:
    """`min 40 times; p95 900 times`, the smallest first; one figure where all are the same."""
    told = [(clean(name), times(value)) for name, value in sorted(q_errors.items(), key=lambda pair: pair[1])]
    if len({factor for _, factor in told}) == 1:
        return told[0][1]
    return "; ".join(f"{name} {factor}" for name, factor in told)


def rejected_rows(audit: Audit) -> tuple[tuple[str, str, str], ...]:
    """The inputs that could not be read: which, where in it (empty where that is all of it), why."""
    return tuple((quote(one.source), clean(one.where or ""), clean(one.reason)) for one in audit.rejected)
