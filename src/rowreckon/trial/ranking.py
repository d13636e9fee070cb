"""The ranking after a trial: what was measured counts, what was not tried keeps its expectation."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rowreckon.document.audit import Audit, Remedy, Trial
from rowreckon.remedies.draft import INVASIVENESS

from .hurting import hurt_by
from .judge import Judged

_PLACE = {"helped": 0, "inconclusive": 2, "no_effect": 3, "not_applied": 3, "harmed": 4}
_UNTRIED = 1
"""Untried remedies stand between those that are known to help and those that are known not to."""


def rank_measured(audit: Audit, judged: Mapping[int, Judged]) -> Audit:
    """The audit with each trial in its remedy (by rank), ordered by what was measured.

    Among those that helped those stand first that slow no query; among these the largest net gain, between equals (to a
    hundredth of the measured time) the less invasive; dropping an index never stands before a statistics change that
    helped.
    """
    remedies = [_with_trial(remedy, judged.get(remedy.rank)) for remedy in audit.remedies]
    nets = {remedy.rank: judged[remedy.rank].net_ms for remedy in remedies if remedy.rank in judged}
    hurting = {rank for rank, one in judged.items() if one.trial.verdict == "helped" and hurt_by(one)}
    whole = audit.summary.execution_ms or sum(nets.values()) or 1.0
    ordered = sorted(remedies, key=lambda r: (_place(r), r.rank in hurting, *_order(r, nets, whole, remedies)))
    return audit.model_copy(
        update={
            "remedies": tuple(r.model_copy(update={"rank": n}) for n, r in enumerate(ordered, start=1)),
        }
    )


def _with_trial(remedy: Remedy, judged: Judged | None) -> Remedy:
    if judged is None:
        return remedy
    trial: Trial = judged.trial.model_copy(update={"rank_before": remedy.rank})
    update: dict[str, object] = {"trial": trial}
    if judged.gain is not None:
        update["expected_gain_ms"] = judged.gain
    if judged.side_effects:
        update["side_effects"] = judged.side_effects
    return remedy.model_copy(update=update)


def _place(remedy: Remedy) -> int:
    return _UNTRIED if remedy.trial is None else _PLACE[remedy.trial.verdict]


def _order(
    remedy: Remedy, nets: Mapping[int, float], whole: float, remedies: Sequence[Remedy]
) -> tuple[int, float, int, float, int]:
    net = nets.get(remedy.rank, 0.0)
    last = 1 if remedy.kind == "drop_index" and _statistics_help(remedies) else 0
    return (last, -round(net / whole, 2), INVASIVENESS[remedy.kind], -net, remedy.rank)


def _statistics_help(remedies: Sequence[Remedy]) -> bool:
    """Whether a change of statistics helped."""
    return any(
        other.kind in ("refresh_statistics", "more_statistics", "distinct_count")
        and other.trial is not None
        and other.trial.verdict == "helped"
        for other in remedies
    )
