"""What a remedy may bring back: measured time at stake, times what the cost model says of it."""

from __future__ import annotations

from dataclasses import dataclass

from rowreckon.causes import CauseFinding
from rowreckon.elsewhere import nodes_of_join
from rowreckon.remedies.plan_audit import PlanAudit
from rowreckon.report.document import Join

_OPEN = 0.5
"""Share of the time at stake taken as the expectation where the model could not compare the methods."""


@dataclass(frozen=True, slots=True)
class Gain:
    """Time that may come back in one plan, ms: `high` at most, `expected` for the ranking; None without timing.

    `share` is `expected` in parts of the plan's own time, or of its cost where nothing was timed.
    """

    high: float | None
    expected: float | None
    share: float
    cost_ratio: float | None


def gain_of(audit: PlanAudit, finding: CauseFinding) -> Gain:
    """The gain that one finding's remedy promises in its plan."""
    joins = [j for j in audit.joins if j.node in finding.finding.joins]
    high = expected = 0.0
    timed = False
    ratios: list[float] = []
    shares: list[float] = []
    seen: set[int] = set()
    for join in joins:
        saved = _saved_share(join, finding)
        ratio = finding.factor if finding.harms == "time" else join.loss_factor
        if ratio is not None:
            ratios.append(ratio)
        nodes = [n for n in nodes_of_join(audit.reckoned, join.node) if n not in seen]
        seen.update(nodes)
        times = [audit.own_ms[n] for n in nodes]
        shares.append(saved if saved is not None else _OPEN)
        if any(t is not None for t in times):
            timed = True
            spent = sum(t or 0.0 for t in times)
            high += spent * (saved if saved is not None else 1.0)
            expected += spent * (saved if saved is not None else _OPEN)
    whole = audit.execution_ms
    cost_ratio = round(max(ratios), 2) if ratios else None
    if not timed or not whole:
        return Gain(None, None, max(shares, default=_OPEN), cost_ratio)
    if not joins:
        return Gain(None, None, 0.0, None)
    return Gain(min(high, whole), min(expected, whole), min(expected / whole, 1.0), cost_ratio)


def _saved_share(join: Join, finding: CauseFinding) -> float | None:
    """Share of the join's time that the model expects to save; None where it could not compare."""
    if finding.harms == "time":
        return 1 - 1 / max(finding.factor, 1.0)
    if join.verdict in ("held", "accurate"):
        return 0.0
    if join.loss_factor is None:
        return None
    return 1 - 1 / max(join.loss_factor, 1.0)
