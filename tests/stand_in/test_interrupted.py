"""Ctrl-C while a stand-in is asked: what was said until then stays, and the audit goes on without the rest."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Any

import pytest

from rowreckon.capture import Capture
from rowreckon.plan.document import parse_document
from rowreckon.server.stand_in import asking

from .test_deep_plans import chain
from .test_value_places import FACTS


@pytest.mark.parametrize("answers", [None, 1])
def test_an_interrupt_keeps_what_was_said(monkeypatch: pytest.MonkeyPatch, answers: int | None) -> None:
    """While the stand-in is built (None), and after the first of three plans."""
    captures = [
        Capture(name=name, query="select from huts h limit 1", explain=parse_document({"Plan": chain(2)}))
        for name in ("first", "second", "third")
    ]
    asked: list[str] = []
    ended: list[bool] = []

    @contextlib.contextmanager
    def built(*given: object) -> Iterator[Any]:
        if answers is None:
            raise KeyboardInterrupt
        try:
            yield type("Built", (), {"planner": None})()
        finally:
            ended.append(True)

    def answer(capture: Capture, *given: object) -> Capture:
        if len(asked) == answers:
            raise KeyboardInterrupt
        asked.append(capture.name)
        return capture.model_copy(update={"notes": ("answered",)})

    monkeypatch.setattr(asking, "stand_in", built)
    monkeypatch.setattr(asking, "_asked", answer)
    with asking.asked_stand_in(captures, FACTS, threshold=10.0) as found:
        notes = [capture.notes for capture in found.captures]
        assert found.there is None

    unasked = ("the stand-in was not asked: the run was interrupted",)
    assert notes == [("answered",) if capture.name in asked else unasked for capture in captures]
    assert len(asked) == (answers or 0)
    assert ended == ([] if answers is None else [True])
