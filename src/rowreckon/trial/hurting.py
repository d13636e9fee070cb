"""What mends a query that a set of changes slows, and which changes to leave out where nothing does."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from rowreckon.document.slowed import slowed

from .judge import Judged


def hurt_by(judged: Judged) -> dict[str, float]:
    """The queries of the list that it slows, with the factor."""
    return slowed(judged.trial, judged.side_effects)


def culprits(ranks: Sequence[int], judged: Mapping[int, Judged], hurt: Collection[str]) -> frozenset[int]:
    """The changes of a set to leave out, at least one: those that slow one of the queries alone as well.

    Where none does, of those that are meant for such a query or change its plan the one that brings least; else of all.
    """
    alone = {rank for rank in ranks if set(hurt_by(judged[rank])) & set(hurt)}
    if alone:
        return frozenset(alone)
    near = [rank for rank in ranks if _touches(judged[rank], hurt)] or list(ranks)
    return frozenset({min(near, key=lambda rank: (judged[rank].net_ms, -rank))})


def menders(ranks: Collection[int], judged: Mapping[int, Judged], hurt: Collection[str]) -> tuple[int, ...]:
    """Changes outside a set that may mend the queries which it slows: meant for one of them, or changing its plan.

    They may have brought nothing alone, since what they mend was not broken then; none that did harm.
    """
    return tuple(
        rank
        for rank, one in judged.items()
        if rank not in ranks
        and one.trial.verdict in ("helped", "no_effect", "inconclusive")
        and _touches(one, hurt)
        and not hurt_by(one)
    )


def _touches(one: Judged, hurt: Collection[str]) -> bool:
    meant = any(query.query in hurt for query in one.trial.queries)
    return meant or any(e.query in hurt and e.change == "plan_changed" for e in one.side_effects)
