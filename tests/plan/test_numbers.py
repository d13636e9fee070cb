"""Numbers that no plan can hold are refused where they stand; the largest and smallest that are taken are audited."""

from __future__ import annotations

import json
from typing import Any

import pytest

from rowreckon import audit
from rowreckon.errors import BrokenPlan
from rowreckon.intake import read_text
from rowreckon.plan.document import parse_document
from tests.fuzz.corpus import PLAN


def _with_width(width: object) -> dict[str, Any]:
    below = [{**child, "Plan Width": width} for child in PLAN["Plans"]]
    return {"Plan": {**PLAN, "Plan Width": width, "Plans": below}}


@pytest.mark.parametrize("width", [-1e308, -1e101, -(10**101), float("-inf"), 1e308, 10**101, float("nan")])
def test_beyond_all_bounds(width: float) -> None:
    """Not even a field that may be below zero holds these: clamp_row_est in PostgreSQL's costsize.c ends at 1e100."""
    with pytest.raises(BrokenPlan) as caught:
        parse_document(_with_width(width))
    assert "Plan Width" in str(caught.value.where)
    assert "is below zero" not in caught.value.sentence()


@pytest.mark.parametrize("width", [-1e100, -(10**100), -1, 0, 5e-324, 2**31 - 1, 1e100, 10**100])
def test_at_the_bounds(width: float) -> None:
    """Arithmetic stays finite with what is taken: the join is audited."""
    (capture,) = read_text(json.dumps([_with_width(width)]))
    result = audit([capture])
    assert len(result.plans) == 1
    json.loads(result.to_json(), parse_constant=lambda word: pytest.fail(f"{word} in the report"))


def test_half_a_loop() -> None:
    """A node ran never, or once at least (InstrEndLoop in PostgreSQL's instrument.c counts whole loops)."""
    with pytest.raises(BrokenPlan) as caught:
        parse_document({"Plan": {**PLAN, "Actual Loops": 0.5}})
    assert "0.5 is smaller than any number but 0" in caught.value.sentence()
