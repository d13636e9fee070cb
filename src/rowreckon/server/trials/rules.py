"""How a trial goes about it."""

from __future__ import annotations

from dataclasses import dataclass, field

from rowreckon.server.connecting.permission import Limits, SafetyPermission


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialRules:
    """`budget_ms` bounds the trial as a whole. Each query is run `least_rounds` to `most_rounds` times on either side,
    until the runs tell the sides apart; with a change a run is cancelled after `patience` times its time without, at
    least `least_ms`. ANALYZE is repeated for `samples` samples in all, since another sample may bring another plan.
    `max_index_kb` bounds a new index. `hold_ms` is how long a trial in place may hold its locks.
    """

    permission: SafetyPermission = field(default_factory=SafetyPermission)
    limits: Limits = field(default_factory=Limits)
    budget_ms: float = 600_000.0
    least_rounds: int = 3
    most_rounds: int = 9
    patience: float = 5.0
    least_ms: float = 1_000.0
    samples: int = 3
    max_index_kb: float | None = None
    hold_ms: float = 5_000.0
    threshold: float = 10.0
