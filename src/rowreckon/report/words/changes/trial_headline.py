"""What a trial brought, for the top of its report: the whole list's time before, and with the best changes together."""

from __future__ import annotations

from math import fsum

from rowreckon.document.audit import Audit, Plan, Remedy, SideEffect, Trial, TrialQuery
from rowreckon.frozen import frozen
from rowreckon.report.words.numbers import count_of, in_one_unit, listed, number, share
from rowreckon.report.words.part_words import split_of, whole_of


@frozen
class TrialResult:
    """The list's time in ms without and with the changes of these `ranks`; `before` and `after` hold each query's that
    was measured with them, by its name. `queries` are those that they are meant for, `effects` are on the others."""

    ranks: tuple[int, ...]
    before_ms: float
    after_ms: float
    before: dict[str, float]
    after: dict[str, float]
    queries: tuple[TrialQuery, ...]
    effects: tuple[SideEffect, ...]


def was_tried(audit: Audit) -> bool:
    """Whether any change was tried."""
    return audit.trials is not None and any(remedy.trial is not None for remedy in audit.remedies)


def trial_result(audit: Audit) -> TrialResult | None:
    """The best that was measured: all that helped together, else the one that helped most; None where nothing did.

    A query that was run with the changes counts with both its times, each other one with its one run: its plan is the
    same.
    """
    best = _best(audit)
    if best is None:
        return None
    ranks, trial, effects = best
    before = {q.query: q.before_ms for q in trial.queries if q.before_ms is not None and q.after_ms is not None}
    after = {q.query: q.after_ms for q in trial.queries if q.before_ms is not None and q.after_ms is not None}
    for effect in effects:
        if effect.before_ms is not None and effect.after_ms is not None and effect.query not in after:
            before[effect.query], after[effect.query] = effect.before_ms, effect.after_ms
    if not after:
        return None
    others = fsum(_time_of(plan) for plan in audit.plans if plan.source not in after)
    return TrialResult(
        ranks=ranks,
        before_ms=fsum(before.values()) + others,
        after_ms=fsum(after.values()) + others,
        before=before,
        after=after,
        queries=trial.queries,
        effects=effects,
    )


def _time_of(plan: Plan) -> float:
    """Planning and execution, as the list shows it; nothing where the query did not run to its end."""
    split = split_of(plan) if plan.outcome == "ran" else None
    return whole_of(split) if split is not None else 0.0


def trial_headline(audit: Audit) -> str:
    """The result in one sentence or two."""
    tried = [remedy for remedy in audit.remedies if remedy.trial is not None]
    result = trial_result(audit)
    if result is None:
        return f"None of {count_of(len(tried), 'change')} tried made the list faster."
    saved = result.before_ms - result.after_ms
    way = f"{share(abs(saved), result.before_ms)} {'less' if saved >= 0 else 'more'}"
    return (
        f"The whole list took {in_one_unit(result.before_ms, result.before_ms)}. With {changes_words(result.ranks)} "
        f"it took {in_one_unit(result.after_ms, result.before_ms)}, {way}."
    )


def changes_words(ranks: tuple[int, ...]) -> str:
    """`change 3`, `changes 1 to 8 together`, `changes 1, 2 and 5 together`."""
    if len(ranks) == 1:
        return f"change {number(ranks[0])}"
    in_a_row = len(ranks) > 2 and ranks == tuple(range(ranks[0], ranks[0] + len(ranks)))
    named = f"{ranks[0]} to {ranks[-1]}" if in_a_row else listed([number(rank) for rank in ranks], 12)
    return f"changes {named} together"


def helped(audit: Audit) -> tuple[Remedy, ...]:
    """The changes that helped, in the report's order."""
    return tuple(r for r in audit.remedies if r.trial is not None and r.trial.verdict == "helped")


def first_of_the_audit(audit: Audit) -> Remedy | None:
    """The change that stood first before anything was tried."""
    return next((r for r in audit.remedies if r.trial is not None and r.trial.rank_before == 1), None)


def _best(audit: Audit) -> tuple[tuple[int, ...], Trial, tuple[SideEffect, ...]] | None:
    together = audit.trials.combination if audit.trials is not None else None
    if together is not None and together.trial.verdict == "helped":
        return together.ranks, together.trial, together.side_effects
    for remedy in helped(audit):  # those that slow no query first
        if remedy.trial is not None:
            return (remedy.rank,), remedy.trial, remedy.side_effects
    return None
