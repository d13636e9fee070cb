"""How a trial spends its time: rules of this project's own design, no source. The clock is the test's own."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from rowreckon.auditing import audit
from rowreckon.document.audit import Audit, FindingRef, Plan, Remedy, TrialAccount
from rowreckon.server.trials.rules import TrialRules
from rowreckon.server.trials.session import TrialSession
from rowreckon.server.trials.stage import Clock
from rowreckon.trial.measured import Attempt, Measured, QueryMeasure
from rowreckon.trial.planning import attempts_of
from rowreckon.trial.times import Times


class Hand(Clock):
    """A clock that moves by hand."""

    def __init__(self, left_ms: float) -> None:
        """Set it."""
        self.left = left_ms

    def left_ms(self) -> float:
        """What remains, ms."""
        return max(self.left, 0.0)


@dataclass
class Place:
    """Every change helps its query, and takes a second to try."""

    clock: Hand
    slows: dict[tuple[int, ...], float] = field(default_factory=dict)
    """By how much which set slows the query `beside`, which is none that a change is meant for."""
    idle: frozenset[int] = frozenset()
    """Changes that bring nothing to their own query when they are tried alone."""
    tried: list[tuple[int, ...]] = field(default_factory=list)

    def try_(self, attempt: Attempt) -> Measured:
        """Measure nothing and say so."""
        self.clock.left -= 1000.0
        self.tried.append(attempt.ranks)
        queries = tuple(
            QueryMeasure(
                plan=plan,
                name=f"query {plan}",
                change="plan_changed",
                before=Times((50.0, 51.0, 52.0)),
                after=Times((50.0, 51.0, 52.0) if set(attempt.ranks) <= self.idle else (10.0, 11.0, 12.0)),
            )
            for plan in sorted(attempt.victims)
        )
        after = tuple(ms * self.slows.get(attempt.ranks, 1.0) for ms in (10.0, 10.1, 10.2))
        beside = QueryMeasure(plan=99, name="beside", change="plan_changed", before=Times((10.0, 10.1, 10.2)))
        return Measured(attempt=attempt, where="copy", queries=(*queries, replace(beside, after=Times(after))))


def _audit(changes: int) -> Audit:
    remedies = tuple(
        Remedy(
            rank=rank,
            kind="new_index",
            sql=(f"CREATE INDEX i{rank} ON bookings (hut_id)",),
            transactional=True,
            confidence=0.9,
            reason="",
            findings=(FindingRef(plan=rank - 1, finding=0),),
        )
        for rank in range(1, changes + 1)
    )
    plans = tuple(Plan(source=f"query {n}", analyzed=True) for n in range(changes))
    return audit([]).model_copy(update={"plans": plans, "remedies": remedies})


def _spent(
    changes: int,
    budget_ms: float,
    *,
    combine: bool = True,
    slows: dict[tuple[int, ...], float] | None = None,
    idle: frozenset[int] = frozenset(),
) -> tuple[TrialSession, Place]:
    result = _audit(changes)
    session = TrialSession(
        lambda _: (_ for _ in ()).throw(AssertionError),
        (),
        (),
        result,
        attempts_of(result, ()),
        TrialRules(),
        lambda *_: None,
    )
    clock = Hand(budget_ms)
    place = Place(clock, slows or {}, idle)
    session._all(place, clock, combine=combine)
    return session, place


def test_time_is_kept_for_the_best_together() -> None:
    """The last changes of a long list are worth less than knowing what the best do together."""
    session, place = _spent(9, 5500.0)
    assert place.tried == [(1,), (2,), (3,), (4,), (1, 2, 3, 4)]
    assert session.combination is not None
    assert session.combination.trial.verdict == "helped"
    assert {entry.reason for entry in session.not_tried} == {"the trial's time was kept for the best changes together"}
    assert [entry.rank for entry in session.not_tried] == [5, 6, 7, 8, 9]


def test_with_time_enough_all_are_tried() -> None:
    """Each alone, then the best together."""
    session, place = _spent(3, 60_000.0)
    assert place.tried == [(1,), (2,), (3,), (1, 2, 3)]
    assert session.not_tried == []


def test_in_place_nothing_is_kept_back() -> None:
    """There the changes are not tried together."""
    session, place = _spent(9, 3500.0, combine=False)
    assert place.tried == [(1,), (2,), (3,), (4,)]
    assert {entry.reason for entry in session.not_tried} == {"the trial's time was spent before"}


def test_a_set_that_slows_nobody_comes_first() -> None:
    """All together slow a query; so does one of them alone, without which nobody is slowed. The larger set is kept."""
    session, place = _spent(3, 60_000.0, slows={(2,): 1.5, (1, 2, 3): 1.5})

    assert place.tried == [(1,), (2,), (3,), (1, 2, 3), (1, 3)]
    assert session.combination is not None
    assert session.further is not None
    assert (session.combination.ranks, session.further.ranks) == ((1, 3), (1, 2, 3))
    ranked = session._tried(TrialAccount(where="copy")).audit
    assert [r.trial.rank_before for r in ranked.remedies if r.trial] == [1, 3, 2]
    assert ranked.trials is not None
    assert ranked.trials.combination is not None
    assert ranked.trials.combination.ranks == (1, 2)


def test_a_set_that_slows_a_query_only_together_is_tried_without_its_least() -> None:
    """None of them does alone. A slowing below a fifth is let pass."""
    session, place = _spent(3, 60_000.0, slows={(1, 2, 3): 1.5, (1, 2): 1.15})

    assert place.tried[3:] == [(1, 2, 3), (1, 2)]
    assert session.combination is not None
    assert session.combination.ranks == (1, 2)


def test_what_mends_the_slowed_query_joins_the_set() -> None:
    """A change that brings nothing alone is tried with the set that slows a query whose plan it changes."""
    session, place = _spent(4, 60_000.0, slows={(1, 2, 3): 1.5}, idle=frozenset({4}))

    assert place.tried[4:] == [(1, 2, 3), (1, 2, 3, 4)]
    assert session.combination is not None
    assert session.combination.ranks == (1, 2, 3, 4)
    assert session.further is None


def test_what_does_not_mend_it_is_left_out_again() -> None:
    session, place = _spent(4, 60_000.0, slows={(1, 2, 3): 1.5, (1, 2, 3, 4): 1.5}, idle=frozenset({4}))

    assert place.tried[4:] == [(1, 2, 3), (1, 2, 3, 4), (1, 2)]
    assert session.combination is not None
    assert session.further is not None
    assert (session.combination.ranks, session.further.ranks) == ((1, 2), (1, 2, 3))


def test_where_time_runs_out_no_set_is_called_harmless() -> None:
    """The set that slows a query is kept beside, and a note says that none was found that slows nobody."""
    session, place = _spent(3, 4000.0, slows={(2,): 1.5, (1, 2, 3): 1.5})

    assert place.tried == [(1,), (2,), (3,), (1, 2, 3)]
    assert session.combination is None
    assert session.further is not None
    assert session.notes == ["the trial's time was spent before a set that slows no query was found"]


def test_a_change_that_slows_a_query_alone_is_offered_after_one_that_does_not() -> None:
    """No set of several is left: the ranking puts the harmless change first."""
    session, place = _spent(2, 60_000.0, slows={(1,): 1.5, (1, 2): 1.5})

    assert place.tried == [(1,), (2,), (1, 2)]
    assert session.combination is None
    ranked = session._tried(TrialAccount(where="copy")).audit
    assert [r.trial.rank_before for r in ranked.remedies if r.trial] == [2, 1]
