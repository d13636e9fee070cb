"""What is asked about a plan, from its text alone."""

from __future__ import annotations

import pytest

from rowreckon.catalog.answer_indexes import height_from_startup
from rowreckon.catalog.wanted import safe_expression, wanted_facts
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
    "text",
    [
        "a = 1; drop table t", "a = (select 1)", "a = 1) or (b = 2", "a = 1 -- x", "a /* x */ = 1", "a = $1", "a = 'x",
        'a = "x', "a = $$x$$", "a = E'\\'; drop table t'", "exists (table t)", "a in (values (1))", "a = 1 \\gexec",
        "(((", "a\0b",
    ],
)  # fmt: skip
def test_unsafe_texts(text: str) -> None:
    """Whatever could end the statement, hide a part of it or hold a query is no expression to repeat."""
    assert not safe_expression(text)


@pytest.mark.parametrize(
    "text",
    [
        "(a.x = 5)", "(t ~~ 'a;b--c/*'::text)", "x = '{1,2}'::integer[]", '"odd ; name"."-- c" = 1', "(a - -1) > 2",
        "made > '2024-01-01 00:00:00+00'::timestamp with time zone", "(data -> 'k'::text) @> '{\"a\": [1]}'::jsonb",
        "t = 'it''s'", "CASE WHEN (a > 1) THEN b ELSE c END = 2",
    ],
)  # fmt: skip
def test_safe_texts(text: str) -> None:
    """What EXPLAIN prints for ordinary conditions may be repeated, literals with odd contents included."""
    assert safe_expression(text)


@pytest.mark.parametrize(
    ("startup", "height"),
    [(50.0, 0), (64.0, 0), (114.0, 1), (167.0, 2), (0.285, None), (10000000114.0, None), (114.25, None)],
)
def test_height_from_startup(startup: float, height: int | None) -> None:
    """50 calls a level and log2 of the tuples: planner facts section 3.2 with cpu_operator_cost at 1."""
    assert height_from_startup(startup) == height
