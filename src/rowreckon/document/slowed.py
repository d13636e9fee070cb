"""Which queries a trial's changes made slower, by more than is let pass."""

from collections.abc import Sequence
from math import inf

from rowreckon.document.trial import SideEffect, Trial, TrialQuery

WORTH_SAYING = 1.2
"""Ratio of the times' medians from which on a difference is named, and a query counts as slowed."""


def slowed(trial: Trial, effects: Sequence[SideEffect]) -> dict[str, float]:
    """The queries that take more than a fifth longer, beyond the noise of the runs, each with the factor; infinite for
    one that was cancelled at its time limit."""
    found: dict[str, float] = {}
    seen: tuple[TrialQuery | SideEffect, ...] = (*trial.queries, *effects)
    for each in seen:
        if each.time != "slower" or each.within_noise:
            continue
        factor = each.after_ms / each.before_ms if each.before_ms and each.after_ms else inf
        if factor > WORTH_SAYING:
            found[each.query] = max(factor, found.get(each.query, 1.0))
    return found
