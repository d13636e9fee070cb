"""The order after measuring, and which changes are tried together: rules of this project's own design, no source."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from rowreckon.auditing import audit
from rowreckon.document.audit import Audit, FindingRef, GainMs, Remedy, RemedyKind, SideEffect, Trial, TrialQuery
from rowreckon.trial.combining import best_combination
from rowreckon.trial.judge import Judged
from rowreckon.trial.ranking import rank_measured

VERDICTS = ("helped", "no_effect", "harmed", "not_applied", "inconclusive")


def _remedy(rank: int, kind: RemedyKind, *sql: str, plan: int = 0) -> Remedy:
    return Remedy(
        rank=rank,
        kind=kind,
        sql=sql or (f"CHANGE {rank}",),
        transactional=True,
        confidence=0.9,
        reason="",
        findings=(FindingRef(plan=plan, finding=0),),
    )


def _judged(verdict: str, net: float, **gains: float) -> Judged:
    queries = tuple(
        TrialQuery(query=name, time="faster" if ms > 0 else "same", before_ms=1000.0, after_ms=1000.0 - ms)
        for name, ms in gains.items()
    )
    trial = Trial.model_validate({"where": "copy", "verdict": verdict, "queries": queries})
    return Judged(trial, (), GainMs(low=net, high=net), net)


def _audit(*remedies: Remedy) -> Audit:
    empty = audit([])
    summary = empty.summary.model_copy(update={"execution_ms": 10_000.0})
    return empty.model_copy(update={"remedies": remedies, "summary": summary})


def test_measured_gain_before_invasiveness() -> None:
    """More time first; between equals the less invasive; no index is dropped ahead of statistics that help."""
    result = _audit(
        _remedy(1, "drop_index"),
        _remedy(2, "new_index"),
        _remedy(3, "more_statistics"),
        _remedy(4, "refresh_statistics"),
        _remedy(5, "other"),
        _remedy(6, "more_statistics"),
    )
    ranked = rank_measured(
        result,
        {
            1: _judged("helped", 5000.0),
            2: _judged("helped", 1001.0),
            3: _judged("helped", 1000.0),
            4: _judged("harmed", -5.0),
            6: _judged("helped", 3000.0),
        },
    )
    order = [r.trial.rank_before if r.trial else 5 for r in ranked.remedies]
    assert order == [6, 3, 2, 1, 5, 4]
    assert [r.rank for r in ranked.remedies] == [1, 2, 3, 4, 5, 6]
    assert ranked.remedies[0].expected_gain_ms == GainMs(low=3000.0, high=3000.0)


@given(st.lists(st.tuples(st.sampled_from(VERDICTS), st.floats(-1e4, 1e4)), max_size=8))
def test_nothing_is_lost_by_ranking(outcomes: list[tuple[str, float]]) -> None:
    """Every remedy stays, those that helped stand before all others, those that harmed after all others."""
    remedies = tuple(_remedy(n, "other") for n in range(1, len(outcomes) + 1))
    judged = {n: _judged(verdict, net) for n, (verdict, net) in enumerate(outcomes, start=1)}
    ranked = rank_measured(_audit(*remedies), judged).remedies
    assert sorted(r.sql for r in ranked) == sorted(r.sql for r in remedies)
    verdicts = [r.trial.verdict for r in ranked if r.trial is not None]
    places = {"helped": 0, "inconclusive": 1, "no_effect": 1, "not_applied": 1, "harmed": 2}
    assert [places[v] for v in verdicts] == sorted(places[v] for v in verdicts)


def test_the_best_for_each_query_together() -> None:
    """One that serves two queries nearly as well as the best is taken for both; a part of another adds nothing."""
    remedies = (
        _remedy(1, "more_statistics", "A", "ANALYZE t"),
        _remedy(2, "refresh_statistics", "ANALYZE t"),
        _remedy(3, "new_index", "B"),
        _remedy(4, "other", "C"),
        _remedy(5, "other", "D"),
    )
    judged = {
        1: _judged("helped", 900.0, slow=900.0),
        2: _judged("helped", 400.0, slow=400.0, second=300.0),
        3: _judged("helped", 500.0, third=500.0),
        4: _judged("helped", 490.0, third=490.0),
        5: _judged("harmed", -10.0, fourth=50.0),
    }
    together = best_combination(remedies, judged)
    assert together is not None
    assert together.ranks == (1, 3)
    assert together.statements == ("A", "B", "ANALYZE t")
    assert best_combination(remedies, {3: judged[3], 4: judged[4]}) is None
    assert best_combination(remedies, {5: judged[5]}) is None


def test_a_gain_beside_counts_for_the_combination() -> None:
    """What a remedy brings to a query that it was not meant for is a reason to take it."""
    effect = SideEffect(query="other", change="plan_changed", time="faster", before_ms=100.0, after_ms=10.0)
    one = _judged("helped", 900.0, slow=900.0)
    beside = _judged("helped", 90.0, own=0.0)
    beside = Judged(beside.trial, (effect,), beside.gain, beside.net_ms)
    together = best_combination((_remedy(1, "other"), _remedy(2, "other")), {1: one, 2: beside})
    assert together is not None
    assert together.ranks == (1, 2)
