"""Which other queries of a list call the function that a change alters: PostgreSQL's grammar reads their texts."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rowreckon import audit, read_path, read_text
from rowreckon.capture import Capture
from rowreckon.plan.base import PlanNode
from rowreckon.plan.nodes import FunctionScanNode, model_of
from rowreckon.proposals.callers import calls
from rowreckon.remedies.subject import FunctionName
from rowreckon.report.story.list_ticket import list_ticket
from rowreckon.report.words.escape import bare

SAMPLE = Path(__file__).parents[2] / "sample_plans" / "function-row-default.18.json"
FREE_BEDS = FunctionName("free_beds", "huts")


@pytest.mark.parametrize(
    ("query", "called"),
    [
        ("select * from free_beds(3)", True),
        ("select * from huts.free_beds(3) b join hut h using (id)", True),
        ("select (select count(*) from lateral (select free_beds(h.id)) x) from hut h", True),
        ("select 1 from hut where exists (select from free_beds(id)) order by free_beds(1)", True),
        ('select * from "free_beds"(3)', True),
        ("select * from other.free_beds(3)", False),
        ('select * from "Free_Beds"(3)', False),
        ("select 'free_beds(3)' from hut -- free_beds(3)", False),
        ("select free_beds from hut where (id) = 3", False),
        ("free_beds(3", False),
        (None, False),
    ],
)
def test_a_call_is_found_in_any_clause_and_nowhere_else(query: str | None, called: bool) -> None:
    """A name in a text, a comment or a column is none, nor is another schema's or spelling's function."""
    assert calls(query, (), FREE_BEDS) is called


def test_a_plan_tells_of_a_call_without_the_text() -> None:
    """A view may hold it, whose text nobody has."""
    scan = model_of(FunctionScanNode).model_validate({"Node Type": "Function Scan", "Function Name": "free_beds"})
    nodes: tuple[PlanNode, ...] = (scan,)

    assert calls(None, nodes, FREE_BEDS)
    assert not calls(None, nodes, FunctionName("beds_taken"))


def _plan_of(name: str, query: str) -> Capture:
    node = {"Node Type": "Result", "Plan Rows": 1, "Plan Width": 4, "Total Cost": 0.01}
    (capture,) = read_text(json.dumps([{"Plan": node}]))
    assert isinstance(capture, Capture)
    return capture.model_copy(update={"name": name, "query": query})


def test_a_list_names_the_queries_that_a_change_of_the_function_touches() -> None:
    """In the document as side effects, on the first screen by name; where there is none, that none was seen."""
    (sample,) = read_path(SAMPLE)
    assert isinstance(sample, Capture)
    altered = next(remedy for remedy in audit([sample]).remedies if remedy.kind == "function_rows")
    name = altered.sql[0].split()[2].split("(")[0]
    caller, other = _plan_of("callers", f"select * from {name}(1)"), _plan_of("others", "select 1")

    touched, untouched = audit([sample, caller, other]), audit([sample, other])

    effects = next(remedy.side_effects for remedy in touched.remedies if remedy.kind == "function_rows")
    assert [(effect.query, effect.change) for effect in effects] == [("callers", "unknown")]
    told = [" ".join(bare(line.note) for line in list_ticket(audited)) for audited in (touched, untouched)]
    assert "Here also callers calls it." in told[0]
    assert "No other query here is seen to call it." in told[1]
