"""An autovacuum that comes in between voids the comparison."""

from __future__ import annotations

import psycopg

from rowreckon.auditing import audit
from rowreckon.document.audit import Plan, Remedy
from rowreckon.server.own.embedded import embedded_server
from rowreckon.server.trials.pulse import disturbed, take_pulse
from rowreckon.trial.judge import judge
from rowreckon.trial.measured import Measured, QueryMeasure
from rowreckon.trial.planning import attempt_of
from rowreckon.trial.times import Times
from tests.servers.fixtures import TEST_SETTINGS
from tests.waiting import turns


def test_a_real_autovacuum_is_noticed() -> None:
    """The server's own autovacuum, made to come soon, analyzes a table between two looks."""
    with (
        embedded_server(settings={**TEST_SETTINGS, "autovacuum": "on", "autovacuum_naptime": "1s"}) as dsn,
        psycopg.connect(dsn, autocommit=True) as connection,
    ):
        connection.execute("create table quiet(a int)")
        connection.execute("create table trails(a int)")
        before = take_pulse(connection)
        assert disturbed(before, take_pulse(connection)) is None
        connection.execute("insert into trails select generate_series(1, 1000)")
        for _ in turns("autovacuum"):
            if disturbed(before, take_pulse(connection), sizes=False) is not None:
                break
        said = disturbed(before, take_pulse(connection))
        assert said is not None
        assert "trails" in said
        assert "quiet" not in said


def test_a_void_pair_decides_nothing() -> None:
    """However clear the times look."""
    remedy = Remedy(rank=1, kind="other", sql=("ANALYZE t",), transactional=True, confidence=1, reason="")
    result = audit([]).model_copy(update={"plans": (Plan(source="q", analyzed=True),), "remedies": (remedy,)})
    attempt = attempt_of((remedy,))
    victim = QueryMeasure(
        plan=0, name="q", change="plan_changed", before=Times((90.0, 91.0, 92.0)), after=Times((9.0, 9.1, 9.2))
    )
    attempt = type(attempt)(
        ranks=attempt.ranks, remedies=attempt.remedies, statements=attempt.statements, victims=frozenset({0})
    )
    clear = judge(result, Measured(attempt=attempt, where="copy", queries=(victim,)))
    assert clear.trial.verdict == "helped"
    assert clear.gain is not None
    void = judge(result, Measured(attempt=attempt, where="copy", queries=(victim,), void="autovacuum came"))
    assert (void.trial.verdict, void.trial.reason) == ("inconclusive", "autovacuum came")
    assert void.gain is None
    assert void.net_ms == 0.0
