"""From measurements to a verdict on a remedy, its side effects, and the time that it brings back."""

from __future__ import annotations

from collections.abc import Sequence

from rowreckon.document.audit import Audit, GainMs, Plan, SideEffect, Trial, TrialQuery
from rowreckon.document.slowed import WORTH_SAYING
from rowreckon.frozen import frozen

from .joins_seen import joins_kept, methods_of, node_like, trial_joins
from .measured import Measured, QueryMeasure
from .times import Comparison, compare


@frozen
class Judged:
    """A remedy's trial; `gain` is the measured time that it brings back to the queries that it is meant for, `net_ms`
    the same with what it brings to or costs the others."""

    trial: Trial
    side_effects: tuple[SideEffect, ...]
    gain: GainMs | None
    net_ms: float


def judge(audit: Audit, measured: Measured) -> Judged:
    """The verdict. Nothing measured is `inconclusive`, nothing applied `not_applied`, whatever the plans say. A query
    written another way that gives other rows is `harmed`, however fast it is.

    Side effects are listed for queries on the remedy's tables and for those whose plan changed or is not known.
    """
    attempt = measured.attempt
    victims = [q for q in measured.queries if q.plan in attempt.victims]
    others = [q for q in measured.queries if q.plan not in attempt.victims]
    compared = [(q, compare(q.before, q.after)) for q in victims]
    beside = [(q, compare(q.before, q.after)) for q in others]
    verdict, reason = _verdict(measured, compared, beside)
    first = _first_finding(audit, measured, compared)
    timed = [c for _, c in compared if c.time != "not_measured"]
    trial = Trial.model_validate(
        {
            "where": measured.where,
            "before_ms": _total([c.before_ms for c in timed]),
            "after_ms": _total([c.after_ms for c in timed]),
            **first,
            "verdict": verdict,
            "reason": reason,
            "queries": tuple(_query(q, c) for q, c in compared),
            "apply_ms": _rounded(measured.apply_ms),
            "index_kb": measured.index_kb,
            "queries_planned": sum(q.change != "unknown" for q in measured.queries) or None,
            "rank_before": attempt.ranks[0] if len(attempt.ranks) == 1 else None,
        }
    )
    counts = verdict in ("helped", "no_effect", "harmed") and measured.other_rows is None
    gain = GainMs(low=round(sum(c.gain_low for c in timed), 3), high=round(sum(c.gain_high for c in timed), 3))
    net = _sum(compared, "faster", "slower") + _sum(beside, "faster", "slower")
    named = {effect.query for remedy in attempt.remedies for effect in remedy.side_effects}
    effects = tuple(
        _side_effect(measured, q, c) for q, c in beside if q.change != "plan_same" or q.before.ms or q.name in named
    )
    return Judged(trial, effects, gain if counts and timed else None, net if counts else 0.0)


def _verdict(
    measured: Measured,
    victims: Sequence[tuple[QueryMeasure, Comparison]],
    others: Sequence[tuple[QueryMeasure, Comparison]],
) -> tuple[str, str | None]:
    if measured.not_applied is not None:
        return "not_applied", measured.not_applied
    if measured.other_rows is not None:
        return "harmed", measured.other_rows
    if measured.void is not None:
        return "inconclusive", measured.void
    timed = [(q, c) for q, c in victims if c.time != "not_measured"]
    if not timed:
        why = next((q.reason for q, _ in victims if q.reason), None)
        return "inconclusive", why or "none of the queries that it is meant for could be timed on both sides"
    gained, lost = _sum(others, "faster"), -_sum(others, "slower")
    net = _sum(timed, "faster", "slower") + gained - lost
    notes = [*measured.notes, *_beside(timed, others, gained, lost)]
    if not any(_is_difference(c) for _, c in timed):
        if net != 0:
            notes.insert(0, "nothing comes back to the query that it is meant for")
        elif any(not c.called and not c.settled for _, c in timed):
            return "inconclusive", "the runs differ among themselves more than with and without the change"
        else:
            changed = any(q.change == "plan_changed" for q, _ in timed)
            words = "another plan came, and it takes the same time" if changed else "the plan stayed the same"
            return "no_effect", _sentences([words, *notes])
    return "helped" if net > 0 else "harmed", _sentences(notes) or None


def _sentences(notes: Sequence[str]) -> str:
    """Notes as sentences in a row: the first as it is, the last without its full stop."""
    return ". ".join(note if not number else f"{note[:1].upper()}{note[1:]}" for number, note in enumerate(notes))


def _sum(compared: Sequence[tuple[QueryMeasure, Comparison]], *times: str) -> float:
    """What comes back to these queries, ms; a plan that only some samples of ANALYZE bring counts as often."""
    return sum(c.gain_ms * q.share for q, c in compared if c.time in times and c.called)


def _is_difference(comparison: Comparison) -> bool:
    return comparison.time in ("faster", "slower") and comparison.called


def _beside(
    victims: Sequence[tuple[QueryMeasure, Comparison]],
    others: Sequence[tuple[QueryMeasure, Comparison]],
    gained: float,
    lost: float,
) -> list[str]:
    """What else became faster or slower, named."""
    found = []
    slower = [q.name for q, c in victims if c.time == "slower" and c.called]
    if slower:
        found.append(f"slower: {', '.join(slower)}")
    if lost > 0:
        names = ", ".join(q.name for q, c in others if c.time == "slower" and c.called)
        found.append(f"other queries lose {lost:,.1f} ms: {names}")
    if gained > 0:
        names = ", ".join(q.name for q, c in others if c.time == "faster" and c.called)
        found.append(f"other queries gain {gained:,.1f} ms: {names}")
    perhaps = [f"{q.name} ({-c.gain_ms:,.1f} ms)" for q, c in (*victims, *others) if _perhaps_slower(c)]
    if perhaps:
        found.append(f"perhaps slower, within the noise of the runs: {', '.join(perhaps)}")
    return found


def _perhaps_slower(comparison: Comparison) -> bool:
    """Whether the medians say that it takes more than a fifth longer, and the runs do not bear it out."""
    before, after = comparison.before_ms, comparison.after_ms
    if comparison.time != "slower" or comparison.settled or before is None or after is None:
        return False
    return after > WORTH_SAYING * before


def _first_finding(
    audit: Audit, measured: Measured, victims: Sequence[tuple[QueryMeasure, Comparison]]
) -> dict[str, object]:
    """Methods and q-error before and after, of the query that gained or lost most."""
    runs = [(q, c) for q, c in victims if q.plan_before is not None and q.plan_after is not None]
    if not runs:
        return {}
    query, _ = max(runs, key=lambda pair: abs(pair[1].gain_ms))
    before, after = query.plan_before, query.plan_after
    assert before is not None
    assert after is not None
    found: dict[str, object] = {
        "join_methods_before": methods_of(before),
        "join_methods_after": methods_of(after),
    }
    audited = audit.plans[query.plan]
    refs = [ref for remedy in measured.attempt.remedies for ref in remedy.findings if ref.plan == query.plan]
    node = audited.findings[refs[0].finding].node if refs else None
    if node is not None:
        found["q_error_before"] = _q_error(before, audited, node)
        found["q_error_after"] = _q_error(after, audited, node)
    return found


def _q_error(plan: Plan, audited: Plan, node: int) -> float | None:
    """The q-error at the node like the finding's; where the plan has none such, that of the topmost join."""
    like = node_like(plan, audited.nodes[node])
    if like is not None:
        return like.q_error
    return plan.joins[0].q_error if plan.joins else None


def _query(measure: QueryMeasure, comparison: Comparison) -> TrialQuery:
    before, after = measure.plan_before, measure.plan_after
    return TrialQuery(
        query=measure.name,
        plan=measure.plan,
        time=comparison.time,
        within_noise=comparison.within_noise,
        before_ms=_rounded(comparison.before_ms),
        after_ms=_rounded(comparison.after_ms),
        before_runs_ms=tuple(round(ms, 3) for ms in measure.before.ms),
        after_runs_ms=tuple(round(ms, 3) for ms in measure.after.ms),
        join_order_before=measure.order_before,
        join_order_after=measure.order_after,
        joins=trial_joins(before, after) if before is not None and after is not None else (),
        joins_after=joins_kept(after) if after is not None else (),
        reason=measure.reason,
    )


def _side_effect(measured: Measured, measure: QueryMeasure, comparison: Comparison) -> SideEffect:
    where = "tried on a copy" if measured.where == "copy" else "tried in place"
    known = measured.not_applied is None and measured.void is None
    if not known:
        return SideEffect(query=measure.name, change="unknown", basis=measured.not_applied or measured.void)
    details = [where, *(part for part in (measure.basis, measure.reason) if part)]
    return SideEffect(
        query=measure.name,
        change=measure.change,
        time=comparison.time,
        within_noise=comparison.within_noise,
        before_ms=_rounded(comparison.before_ms),
        after_ms=_rounded(comparison.after_ms),
        basis="; ".join(details),
    )


def _total(times: Sequence[float | None]) -> float | None:
    known = [t for t in times if t is not None]
    return round(sum(known), 3) if known and len(known) == len(times) else None


def _rounded(ms: float | None) -> float | None:
    return None if ms is None else round(ms, 3)
