"""A volatile call in every place where the grammar takes an expression: all refused, none called, each twin runs."""

from __future__ import annotations

import pytest

from rowreckon.server.connecting.connection import Connection
from tests.server.judging.conftest import Run, rung
from tests.server.judging.scenes import CALM, NEWER, POSITIONS, RUNG


def _for(session: Connection) -> list[str]:
    major = session.info.server_version // 10000
    return [*POSITIONS, *(text for first, texts in NEWER.items() if major >= first for text in texts)]


def test_the_bell_rings(session: Connection, run: Run) -> None:
    """The check can fail: with leave, a call in a read-only transaction that is rolled back is heard afterwards."""
    assert run("select rung_int()", volatile=True).outcome == "ran"
    assert rung(session)
    assert not rung(session)


def test_no_position_lets_a_volatile_call_through(session: Connection, run: Run) -> None:
    """Refused before anything is planned, wherever the call stands."""
    through = [
        text for text in _for(session) if (done := run(text.format(**RUNG))).outcome != "refused" or done.planned
    ]
    assert through == []
    assert not rung(session)


def test_each_position_takes_a_harmless_call(session: Connection, run: Run) -> None:
    """The same statements with functions whose bodies only read: all run (a twin that fails would prove nothing)."""
    outcomes = {text: run(text.format(**CALM)) for text in _for(session)}
    # 0A000: a server that was built without libxml
    failed = {text: done for text, done in outcomes.items() if done.outcome != "ran" and done.sqlstate != "0A000"}
    assert [(text, done.reason) for text, done in failed.items()] == []
    assert not rung(session)


@pytest.mark.parametrize("text", ["select rung_int()", "select 1 from huts limit rung_int()"])
def test_the_reason_names_the_function_and_the_flag(run: Run, text: str) -> None:
    """One sentence of at most 25 words says what, why and how."""
    reason = run(text).reason or ""
    assert "public.rung_int" in reason
    assert "--allow-volatile" in reason
    assert len(reason.split()) <= 25
