"""For which values another plan comes: what a reader is told of it, and what masking leaves of it."""

from __future__ import annotations

from typing import Any

import pytest

from rowreckon.capture import Capture
from rowreckon.captures.masking import mask_capture
from rowreckon.document.audit import Audit, GenericPlan, PlanForValue
from rowreckon.report.formats.html import render_html
from rowreckon.report.formats.markdown import render_markdown
from rowreckon.report.mask import mask_document, mask_names
from rowreckon.report.story.prepared_story import prepared_lines
from rowreckon.report.story.value_story import value_lines, value_rows
from rowreckon.report.words.escape import plain

from . import factories as f
from .sentences import of_audit, too_long

OWN = "Hash Join (Seq Scan on bookings b, Hash (Seq Scan on huts h))"
RIVAL = "Nested Loop (Index Scan on bookings b using bookings_by_tier, Seq Scan on huts h)"
NAMES: dict[str, Any] = {
    **{"relation": "bookings", "tables": ("bookings", "b", "huts", "h"), "columns": ("tier_of_guest",)},
    **{"asked": 12, "asked_of": "stand_in"},
}


def _entry(plan: str, **more: Any) -> PlanForValue:
    parameter = more.pop("parameter", "b.tier_of_guest = …")
    if plan == RIVAL:
        more |= {"differs": ("Nested Loop", "Index Scan on bookings b using bookings_by_tier")}
        more |= {"index": ("bookings_by_tier",)}
    return PlanForValue(parameter=parameter, plan=plan, own=plan == OWN, **NAMES, **more)


SINGLE = (
    _entry(OWN, values=("silver", "gold"), others=True, row_share=0.975, cost_low=10.0, cost_high=12.5),
    _entry(RIVAL, values=("Zirbelheim",), row_share=0.025, cost_low=3.0, cost_high=3.0),
)
STRETCHES = tuple(
    _entry(plan, parameter="b.night >= …", low=low, high=high, row_share=share)
    for plan, low, high, share in (
        (RIVAL, None, "2026-01-31", 0.0004),
        (OWN, "2026-02-01", "2026-02-07", 0.1),
        (RIVAL, "2026-02-08", None, 0.8996),
    )
)
GENERIC = GenericPlan(
    **{"sequence": "given", "executions": 24, "turns_at": 6, "cost": 577.67, "custom_cost": 492.94},
    **{"same_plan_share": 0.875, "values": ("Zirbelheim", None), "values_cost": 41.5, "plan": RIVAL},
    **{"tables": ("bookings", "b", "huts", "h"), "index": ("bookings_by_tier",), "asked_of": "stand_in"},
)
SAME = (_entry(OWN, parameter="h.id < …", row_share=1.0),)


def _audit(*entries: PlanForValue) -> Audit:
    audit = f.crossed_audit()
    return audit.model_copy(
        update={"plans": (audit.plans[0].model_copy(update={"values": entries, "generic_plan": GENERIC}),)}
    )


@pytest.mark.parametrize(
    ("entries", "told"),
    [
        (
            SINGLE,
            "The value in b.tier_of_guest = … decides the plan. This one comes for 97.5% of the rows of bookings,"
            " another plan for other values. For the value Zirbelheim, 2.5% of the rows, the plan goes by Nested Loop"
            " and Index Scan on bookings b using bookings_by_tier.",
        ),
        (
            STRETCHES,
            "The value in b.night >= … decides the plan. This one comes for 10% of the rows of bookings, another plan"
            " for other values. For values from 2026-02-08 on, 90% of the rows, the plan goes by Nested Loop and Index"
            " Scan on bookings b using bookings_by_tier.",
        ),
        (SAME, "The plan is the same for every value in h.id < …."),
    ],
)
def test_what_is_told(entries: tuple[PlanForValue, ...], told: str) -> None:
    """A place whose values decide something comes first."""
    assert next(plain(line) for line in value_lines(_audit(*SAME, *entries).plans[0])) == told


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (
            {},
            "The server takes the generic plan from execution 6 on, with the given values. The generic plan costs"
            " 577.67, custom plans 492.94 on average, without planning. The generic plan is the custom one in 88% of"
            " the executions. For the values Zirbelheim and null another plan costs 41.50. With plan_cache_mode ="
            " force_custom_plan each value keeps its own plan, at the price of planning every time.",
        ),
        (
            {"turns_at": None, "executions": 3, "values": ("1",)},
            "The first five executions always get custom plans, and values are given for 3. Values for six or more"
            " would tell whether the statement turns to the generic plan. The generic plan costs 577.67, custom plans"
            " 492.94 on average, without planning. The generic plan is the custom one in 88% of the executions. For"
            " the value 1 another plan costs 41.50.",
        ),
        (
            {"turns_at": None, "same_plan_share": 1.0, "values": (), "sequence": "by_share"},
            "The statement keeps custom plans for 24 executions with values drawn by their share of the rows. The"
            " generic plan costs 577.67, custom plans 492.94 on average, without planning. All custom plans are the"
            " generic one, so that it loses nothing by turning.",
        ),
    ],
)
def test_what_is_told_of_a_prepared_statement(more: dict[str, Any], told: str) -> None:
    """When it turns, what it costs, whether it should."""
    plan = _audit().plans[0].model_copy(update={"generic_plan": GENERIC.model_copy(update=more)})
    assert " ".join(plain(line) for line in prepared_lines(plan)) == told


def test_the_table_has_every_entry() -> None:
    """Values in words, shares that never round to nothing or all."""
    rows = [tuple(plain(cell) for cell in row) for row in value_rows(_audit(*SINGLE, *STRETCHES).plans[0])]

    assert rows[0][1:4] == ("silver, gold and all other values", "97.5%", "10.00 to 12.50")
    assert [row[1:3] for row in rows[2:]] == [
        ("values up to 2026-01-31", "under 0.1%"),
        ("values from 2026-02-01 to 2026-02-07", "10%"),
        ("values from 2026-02-08 on", "90%"),
    ]


def test_sentences_are_short() -> None:
    """In every format."""
    assert not too_long(of_audit(_audit(*SINGLE, *STRETCHES, *SAME)))


def test_pages_hold_the_table() -> None:
    """HTML and Markdown fold the whole map."""
    audit = _audit(*SINGLE)
    for text in (render_html(audit), render_markdown(audit)):
        assert text.count("Zirbelheim") == 3
        assert "Plans by value" in text


def test_masking_leaves_shares_alone() -> None:
    """No value stays, whether a capture is masked or a document; a name of a plan that nobody ran has a pseudonym."""
    masked = mask_capture(Capture(name="plan", values=(*SINGLE, *STRETCHES), generic_plan=GENERIC))
    shown = str([masked.generic_plan, *(entry.model_dump() for entry in masked.values)])
    assert [entry.row_share for entry in masked.values] == [e.row_share for e in (*SINGLE, *STRETCHES)]
    document = mask_document(_audit(*SINGLE, *STRETCHES)).to_json()
    for text in (shown, document):
        assert not [v for v in ("Zirbelheim", "silver", "2026-01-31", "2026-02-08") if v in text]
    named = mask_names(_audit(*masked.values), b"a key").audit.to_json()
    assert not [name for name in ("bookings_by_tier", "tier_of_guest", "bookings") if name in named]
