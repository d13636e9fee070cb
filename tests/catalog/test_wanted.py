"""What is asked about a plan, from its text alone."""

from __future__ import annotations

import pytest

from rowreckon.catalog.answers.indexes import height_from_startup
from rowreckon.catalog.wanted import wanted_facts
from rowreckon.plan import lay_out, parse_document

SCAN = {"Node Type": "Index Scan", "Parent Relationship": "Inner", "Relation Name": "booking", "Alias": "b",
        "Index Name": "booking_hut", "Index Cond": "(hut_id = h.id)", "Filter": "(nights < 9)"}  # fmt: skip
JOIN = {
    "Node Type": "Nested Loop",
    "Join Type": "Inner",
    "Plans": [
        {"Node Type": "Seq Scan", "Parent Relationship": "Outer", "Relation Name": "hut", "Alias": "h",
         "Filter": "((region = 3) AND (name <> $1))"},
        SCAN,
    ],
}  # fmt: skip


def test_own_restrictions_and_join_clauses_are_told_apart() -> None:
    """A scan's own columns stand without an alias unless EXPLAIN was VERBOSE; a parameter can't be asked."""
    request = wanted_facts([lay_out(parse_document({"Plan": JOIN}).plan)])
    hut, booking = request.relations
    assert (hut.conditions, hut.left_out) == (("region = 3",), ("name <> $1",))
    assert (booking.conditions, booking.left_out, booking.indexes) == (("nights < 9",), (), ("booking_hut",))
    (clause,) = request.clauses
    assert (clause.left, clause.operator, clause.right) == ('"b"."hut_id"', "=", "h.id")
    assert request.pairs[0].clauses == ('"b"."hut_id" = h.id',)
    assert hut.columns == ('"h"."id"',)
    assert not hut.columns_complete


@pytest.mark.parametrize(
    ("startup", "height"),
    [(50.0, 0), (64.0, 0), (114.0, 1), (167.0, 2), (0.285, None), (10000000114.0, None), (114.25, None)],
)
def test_height_from_startup(startup: float, height: int | None) -> None:
    """50 calls a level and log2 of the tuples: planner facts section 3.2 with cpu_operator_cost at 1."""
    assert height_from_startup(startup) == height


def test_a_masked_literal_is_not_asked_about() -> None:
    """A server would answer about stars; the condition is named among those that were left out."""
    node = {
        "Node Type": "Seq Scan", "Relation Name": "huts", "Schema": "public", "Alias": "h", "Startup Cost": 0,
        "Total Cost": 1, "Plan Rows": 1, "Plan Width": 1, "Filter": "((h.kind = '***'::text) AND (h.beds > 5))",
    }  # fmt: skip
    (relation,) = wanted_facts([lay_out(parse_document({"Plan": node}).plan)]).relations

    assert relation.conditions == ("h.beds > 5",)
    assert relation.left_out == ("h.kind = '***'::text",)


def test_nor_is_a_masked_number_in_an_output_or_between_two_scans() -> None:
    """A join's clauses are asked as a whole or not at all: with one of them masked the pair goes unasked."""
    scan = {"Node Type": "Seq Scan", "Relation Name": "huts", "Alias": "h", "Output": ["(h.beds + '***')", "h.id"]}
    join = {**JOIN, "Join Filter": "((b.nights + h.beds) > '***')"}
    alone, both = (wanted_facts([lay_out(parse_document({"Plan": plan}).plan)]) for plan in (scan, join))

    assert [text.sql for text in alone.texts] == ["h.id"]
    assert [(n.text, n.why) for n in alone.not_asked] == [
        ("(h.beds + '***')", "it holds a literal, and those are masked"),
    ]
    assert not alone.relations[0].columns_complete
    assert both.pairs == ()
    assert not any("***" in text.sql for text in both.texts)
