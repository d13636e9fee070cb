"""Verdicts and side effects from measurements made up for the purpose: rules of this project's own, no source."""

from __future__ import annotations

from rowreckon.auditing import audit
from rowreckon.document.audit import FindingRef, Plan, Remedy
from rowreckon.trial.judge import Judged, judge
from rowreckon.trial.measured import Measured, QueryMeasure
from rowreckon.trial.planning import attempt_of
from rowreckon.trial.times import Times

BUSY = (100.0, 104.0, 131.0)
NO_SLOWER = (99.0, 103.0, 130.0)
HELPED = (Times((500.0, 510.0, 520.0)), Times((50.0, 51.0, 52.0)))
NOTHING = (Times((500.0, 510.0, 520.0)), Times((501.0, 511.0, 519.0)))


def _judge(victim: tuple[Times, Times], beside: tuple[Times, Times], other_rows: str | None = None) -> Judged:
    remedy = Remedy(
        rank=1,
        kind="new_index",
        sql=("CREATE INDEX ON bookings (hut_id)",),
        transactional=True,
        confidence=0.9,
        reason="",
        findings=(FindingRef(plan=0, finding=0),),
    )
    plans = tuple(Plan(source=name, analyzed=True) for name in ("guests by hut", "late orders"))
    measures = (
        QueryMeasure(plan=0, name="guests by hut", change="plan_changed", before=victim[0], after=victim[1]),
        QueryMeasure(plan=1, name="late orders", change="plan_changed", before=beside[0], after=beside[1]),
    )
    return judge(
        audit([]).model_copy(update={"plans": plans}),
        Measured(attempt=attempt_of((remedy,)), where="copy", queries=measures, other_rows=other_rows),
    )


def test_a_query_that_gives_other_rows_does_harm_however_fast() -> None:
    judged = _judge(HELPED, NOTHING, "the new text gives other rows: 2 rows differ")
    assert (judged.trial.verdict, judged.trial.reason) == ("harmed", "the new text gives other rows: 2 rows differ")
    assert (judged.gain, judged.net_ms) == (None, 0.0)


def test_a_bystander_that_noise_hides_is_named() -> None:
    """Its slowdown counts for nothing, and stands in the side effects and in the verdict's reason."""
    judged = _judge(HELPED, (Times(BUSY), Times((128.0, 134.0, 140.0))))
    (effect,) = judged.side_effects
    assert (effect.time, effect.within_noise) == ("slower", True)
    assert judged.trial.verdict == "helped"
    assert judged.trial.reason == "perhaps slower, within the noise of the runs: late orders (30.0 ms)"
    assert judged.net_ms == 459.0


def test_a_bystander_that_is_slower_counts() -> None:
    """More runs of the same bear it out: then its time is taken off the gain."""
    judged = _judge(HELPED, (Times(BUSY * 3), Times((128.0, 134.0, 140.0) * 3)))
    (effect,) = judged.side_effects
    assert (effect.time, effect.within_noise) == ("slower", False)
    assert judged.net_ms == 429.0


def test_a_bystander_as_quick_as_before() -> None:
    """Runs all over the place exclude no slowdown of a fifth; steady ones do."""
    wild = _judge(HELPED, (Times(BUSY), Times(NO_SLOWER))).side_effects[0]
    assert (wild.time, wild.within_noise) == ("same", True)
    steady = _judge(HELPED, (Times((100.0, 101.0, 102.0)), Times((101.0, 101.0, 103.0)))).side_effects[0]
    assert (steady.time, steady.within_noise) == ("same", False)


def test_the_query_that_it_is_meant_for() -> None:
    """No difference is no effect; a difference that the runs do not bear out decides nothing."""
    steady = (Times((100.0, 101.0, 102.0)), Times((101.0, 101.0, 103.0)))
    assert _judge(NOTHING, steady).trial.verdict == "no_effect"
    assert _judge((Times(BUSY), Times((128.0, 134.0, 140.0))), steady).trial.verdict == "inconclusive"
    assert _judge((Times((140.0, 134.0, 128.0)), Times(BUSY)), steady).trial.verdict == "inconclusive"
    assert _judge((HELPED[1], HELPED[0]), steady).trial.verdict == "harmed"
