"""What a reader is told of right counts, in every format, and what masking leaves of the plan that was foretold."""

from __future__ import annotations

import json
from typing import Any

import pytest

from rowreckon.document.audit import Audit, RightCounts
from rowreckon.report.formats.html import render_html
from rowreckon.report.formats.markdown import render_markdown
from rowreckon.report.mask import mask_document, mask_names
from rowreckon.report.story.right_counts_story import right_counts_line
from rowreckon.report.words.escape import plain

from . import factories as f
from .sentences import of_audit, too_long

PLAN: dict[str, Any] = {
    "Node Type": "Hash Join", "Join Type": "Inner", "Hash Cond": "(t.hut_of_tour = h.hut_number)", "Total Cost": 40.0,
    "Plans": [
        {"Node Type": "Seq Scan", "Relation Name": "tours_of_huts", "Alias": "t", "Total Cost": 20.0,
         "Filter": "(leader_of_tour = 'Zirbelheim'::text)"},
        {"Node Type": "Index Scan", "Relation Name": "huts_of_ours", "Alias": "h", "Index Name": "huts_by_height",
         "Total Cost": 10.0},
    ],
}  # fmt: skip


def _audit(**found: Any) -> Audit:
    audit = f.crossed_audit()
    right = RightCounts(plan=PLAN, **found)
    return audit.model_copy(update={"plans": (audit.plans[0].model_copy(update={"with_right_counts": right}),)})


@pytest.mark.parametrize(
    ("found", "told"),
    [
        (
            {"order_changed": True, "methods_changed": True, "starts_from": "huts_of_ours", "cost_ratio": 6.31},
            "With right counts the planner starts from huts_of_ours and costs 6.3 times less.",
        ),
        (
            {"order_changed": True, "methods_changed": False, "cost_ratio": None},
            "With right counts the planner joins in another order.",
        ),
        (
            {"order_changed": False, "methods_changed": True, "cost_ratio": 1.5, "not_reached": (3,)},
            "With the right counts that could be given the planner keeps the order of joins, takes other methods and"
            " costs 1.5 times less.",
        ),
        (
            {"order_changed": False, "methods_changed": False, "cost_ratio": 1.0},
            "With right counts the planner joins as it did.",
        ),
        (
            {"order_changed": None, "methods_changed": True, "unmeasured": (0,), "unmeasured_factor": 10.0},
            "With right counts the planner takes another order of joins, which hangs on counts that nobody measured.",
        ),
    ],
)
def test_one_line_in_every_format(found: dict[str, Any], told: str) -> None:
    """The same sentence, short, and none where nobody was asked."""
    audit = _audit(**found)
    line = right_counts_line(audit.plans[0])

    assert line is not None
    assert plain(line) == told
    assert too_long(of_audit(audit)) == []
    assert "Right counts" in render_markdown(audit)
    assert "Right counts" in render_html(audit)
    assert right_counts_line(f.crossed_audit().plans[0]) is None


def test_no_name_of_the_plan_foretold_is_left() -> None:
    """Names that stand nowhere else, in conditions too; PostgreSQL's own words and figures stay."""
    masked = mask_names(_audit(starts_from="huts_of_ours", order_changed=True), b"k" * 32).audit
    right = masked.plans[0].with_right_counts
    text = masked.model_dump_json()

    for name in ("tours_of_huts", "huts_of_ours", "huts_by_height", "hut_of_tour", "hut_number", "leader_of_tour"):
        assert name not in text
    assert right is not None
    assert right.plan is not None
    assert right.plan["Node Type"] == "Hash Join"
    assert right.plan["Total Cost"] == 40.0


def test_no_literal_of_the_plan_foretold_is_left() -> None:
    """In a document of which nobody masked the captures."""
    text = json.dumps(mask_document(_audit()).model_dump(mode="json"))

    assert "Zirbelheim" not in text
    assert "tours_of_huts" in text
