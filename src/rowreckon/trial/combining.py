"""Which remedies to try together after each was tried alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rowreckon.document.audit import Remedy

from .judge import Judged
from .measured import Attempt
from .planning import attempt_of

_NEARLY = 0.95
"""A remedy that brings back this share of what the best one does is as good; common practice, no source."""


def best_combination(remedies: Sequence[Remedy], judged: Mapping[int, Judged]) -> Attempt | None:
    """For each query the remedy that brought most back to it, all of these together; None if that is fewer than two.

    A remedy that is as good as the best for one query and chosen for another already is taken for both. One whose
    statements all belong to another of the chosen adds nothing and is left out.
    """
    helped = {r.rank: r for r in remedies if r.rank in judged and judged[r.rank].trial.verdict == "helped"}
    gains: dict[str, dict[int, float]] = {}
    for rank in helped:
        for query in judged[rank].trial.queries:
            if query.within_noise:
                continue
            if query.time == "faster" and query.before_ms is not None and query.after_ms is not None:
                gains.setdefault(query.query, {})[rank] = query.before_ms - query.after_ms
            elif query.time == "faster":
                gains.setdefault(query.query, {})[rank] = float("inf")
        for effect in judged[rank].side_effects:
            if effect.within_noise:
                continue
            if effect.time == "faster" and effect.before_ms is not None and effect.after_ms is not None:
                gains.setdefault(effect.query, {})[rank] = effect.before_ms - effect.after_ms
    chosen: list[int] = []
    for by_rank in sorted(gains.values(), key=lambda g: -max(g.values())):
        best = max(by_rank.values())
        if not any(by_rank.get(rank, 0.0) >= _NEARLY * best for rank in chosen):
            chosen.append(max(by_rank, key=lambda rank: (by_rank[rank], -rank)))
    kept = [r for r in sorted(chosen) if not any(_within(helped[r], helped[o]) for o in chosen if o != r)]
    return attempt_of([helped[rank] for rank in kept]) if len(kept) > 1 else None


def _within(one: Remedy, other: Remedy) -> bool:
    return set(one.sql_trial or one.sql) < set(other.sql_trial or other.sql)
