"""What a report asks of a plan again and again is worked out once. Counts of calls, no clock."""

from __future__ import annotations

import gc
import json
from typing import Any
from weakref import ref

import pytest

from rowreckon.api import Format, render
from rowreckon.auditing import audit
from rowreckon.document.audit import Audit, Plan
from rowreckon.intake import read_text
from rowreckon.report.words import join_figures, time_words
from rowreckon.report.words.once import once_a_plan
from tests.benchmarks.plans import plan_of


@pytest.fixture(scope="module")
def audited() -> Audit:
    """100 accurate joins, as the plan's benchmark has them."""
    return audit(read_text(json.dumps([plan_of(600)])), curves=False)


@pytest.mark.parametrize("form", ["text", "markdown", "html"])
def test_the_nodes_are_laid_out_once(form: Format, audited: Audit, monkeypatch: pytest.MonkeyPatch) -> None:
    """One map of a plan's nodes for all its joins, and for every part of the report."""
    made = []
    kind = time_words.PlanMap

    def counted(*parts: Any) -> Any:
        made.append(parts)
        return kind(*parts)

    monkeypatch.setattr(time_words, "PlanMap", counted)
    render(audited.model_copy(update={"plans": (audited.plans[0].model_copy(),)}), form)

    assert len(made) == 1


@pytest.mark.parametrize("form", ["text", "markdown"])
def test_folded_joins_are_not_worded(form: Format, audited: Audit, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of an accurate join the notes are written where they are shown, which for a hundred of them is nowhere."""
    worded = []
    visits = join_figures.visits_words

    def counted(join: Any) -> str:
        worded.append(join.node)
        return visits(join)

    monkeypatch.setattr(join_figures, "visits_words", counted)
    render(audited, form)

    assert len(worded) <= 5


def test_a_changed_copy_is_asked_anew(audited: Audit) -> None:
    """A copy with other names, as masking makes it, never gets the answers of the original."""
    asked = []

    def source(plan: Plan) -> str:
        asked.append(plan.source)
        return plan.source

    once = once_a_plan(source)
    plan = audited.plans[0]
    masked = plan.model_copy(update={"source": "masked"})

    assert [once(plan), once(masked), once(plan)] == [plan.source, "masked", plan.source]
    assert asked == [plan.source, "masked"]


def test_nothing_is_kept_of_a_plan_that_is_gone(audited: Audit) -> None:
    """The memory is the plan's own."""
    once = once_a_plan(lambda plan: [plan.source])
    plan = audited.plans[0].model_copy()
    once(plan)
    gone = ref(plan)
    del plan
    gc.collect()

    assert gone() is None
