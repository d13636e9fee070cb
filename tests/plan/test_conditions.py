"""Conditions, as servers print them, become clauses with their columns and operators.

The texts of the first table were printed by servers of 13 to 18, or are in their manual; the second check holds the
quick way of reading against sqlglot, a parser that is not ours.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from rowreckon.plan.clause import Clause
from rowreckon.plan.condition_text import split_conjuncts, split_sides
from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.plain_condition import plain_clauses
from rowreckon.plan.sql_condition import sql_clauses

SAMPLES = Path(__file__).parents[2] / "sample_plans"

# text, then for each clause: operator, columns
TABLE: list[tuple[str, list[tuple[str, list[str]]]]] = [
    ("(h.id = b.hut_id)", [("=", ["h.id", "b.hut_id"])]),
    ("((b.nights = 5) AND (b.note > 'hut (SubPlan 1) it''s'::text))", [("=", ["b.nights"]), (">", ["b.note"])]),
    ("(hashed SubPlan 1)", [("", [])]),
    ("(NOT (hashed SubPlan 1))", [("NOT", [])]),
    ("(b.hut_id = $0)", [("=", ["b.hut_id"])]),
    ("(b.hut_id = (InitPlan 1).col1)", [("=", ["b.hut_id"])]),
    ("(ANY (b.hut_id = (hashed SubPlan 1).col1))", [("", ["b.hut_id"])]),
    ("(ALTERNATIVES: SubPlan 1 or hashed SubPlan 2)", [("", [])]),
    ("(b.hut_id = ANY ('{1,2}'::integer[]))", [("= ANY", ["b.hut_id"])]),
    ("(b.hut_id <> ALL ('{1,2}'::integer[]))", [("<>", ["b.hut_id"])]),
    ("(h.name ~~ 'abc%'::text)", [("LIKE", ["h.name"])]),
    ("(h.name !~~ '%b'::text)", [("NOT LIKE", ["h.name"])]),
    ("(h.id OPERATOR(pg_catalog.=) b.hut_id)", [("=", ["h.id", "b.hut_id"])]),
    ('((h.name)::text = (b."Hut name")::text)', [("=", ["h.name", "b.Hut name"])]),
    ("(ROW(h.id, h.name) = ROW(1, 'x'::text))", [("=", ["h.id", "h.name"])]),
    (
        "(date_trunc('day'::text, b.arrival) = '2026-01-01 00:00:00'::timestamp without time zone)",
        [("=", ["b.arrival"])],
    ),
    ("(((f.cargo ->> 'kind'::text))::integer = 5)", [("=", ["f.cargo"])]),
    ("(h.id IS NOT DISTINCT FROM b.hut_id)", [("IS NOT DISTINCT FROM", ["h.id", "b.hut_id"])]),
    ("((h.id IS NULL) OR (b.nights = 1))", [("OR", ["h.id", "b.nights"])]),
    ("(count(*) > 5)", [(">", [])]),
    ("((b.nights % 2) = 0)", [("=", ["b.nights"])]),
    ("(b.paid AND (NOT b.cancelled))", [("", ["b.paid"]), ("NOT", ["b.cancelled"])]),
    ("(b.nights > $1)", [(">", ["b.nights"])]),
]


@pytest.mark.parametrize(("text", "expected"), TABLE, ids=[t for t, _ in TABLE])
def test_clauses_of_a_condition(text: str, expected: list[tuple[str, list[str]]]) -> None:
    """Operators and columns come out, whatever notation EXPLAIN has for the rest."""
    found = parse_condition(text)

    assert found.parsed
    assert [(c.operator, [str(column) for column in c.columns]) for c in found.clauses] == expected


def test_subplans_and_parameters_are_named() -> None:
    """References to subqueries and parameters are kept apart from columns."""
    assert parse_condition("(NOT (hashed SubPlan 3))").clauses[0].subplans == ("SubPlan 3",)
    assert parse_condition("(b.hut_id = (InitPlan 1).col1)").clauses[0].subplans == ("InitPlan 1",)
    assert parse_condition("(b.nights > $12)").clauses[0].parameters == ("$12",)


def test_functions_and_sides_keep_the_servers_spelling() -> None:
    """SQL that is made from a condition must repeat what the server said, case and quotes included."""
    (clause,) = parse_condition("(lower(h.\"Hut Name\") = 'Lärchen''s'::text)").clauses

    assert clause.functions == ("lower",)
    assert clause.left_text == 'lower(h."Hut Name")'
    assert clause.right_text == "'Lärchen''s'::text"
    assert clause.constant == "'Lärchen''s'::text"


@pytest.mark.parametrize("text", ["(a = ", "((((", "'", "(a = 1) garbage (", "\x00", "(" * 4000 + ")" * 4000])
def test_what_cannot_be_parsed_stays_text(text: str) -> None:
    """No text raises; one that is no SQL is kept whole and says so."""
    found = parse_condition(text)

    assert found.text == text
    assert not found.parsed or found.clauses is not None


def test_cutting_respects_literals_names_and_parentheses() -> None:
    """AND inside a literal, a quoted name or a deeper level is no border."""
    text = "((a.x = 'p AND q'::text) AND (a.\"r AND s\" = 1) AND ((a.y = 2) OR ((a.z = 3) AND (a.z = 4))))"

    assert split_conjuncts(text) == [
        "a.x = 'p AND q'::text",
        'a."r AND s" = 1',
        "(a.y = 2) OR ((a.z = 3) AND (a.z = 4))",
    ]
    assert split_sides("(a.x = 'b = c'::text)") == ("a.x", "'b = c'::text")
    assert split_sides("(hashed SubPlan 1)") is None


def _sampled_conditions() -> Iterator[str]:
    for path in sorted(SAMPLES.glob("*.json")):
        stack: list[dict[str, Any]] = [json.loads(path.read_text())[0]["Plan"]]
        while stack:
            node = stack.pop()
            stack.extend(node.get("Plans", ()))
            yield from (v for k, v in node.items() if isinstance(v, str) and k.endswith(("Cond", "Filter")))


MORE = [
    "(a.x = 1)",
    "((a.x)::text = 'y'::text)",
    "(x = '-1.5'::numeric)",
    "(a.x >= '2026-01-01 00:00:00+00'::timestamp with time zone)",
    "((a.x = b.x) AND (a.x = a.x))",
    '("A"."B ""q""" <> c.d)',
    "(a.x < -5)",
    "(a.x = (InitPlan 1).col1)",
    "((a.x)::numeric > (InitPlan 12).col3)",
    "(i.flight_id = (max(f.id)))",
    "(lower(a.x) = 'y'::text)",
    "(lower(a.x) = lower(b.x))",
    "((max(f.id)) > 5)",
    "(a.x = $0)",
    "((a.x)::text <> $12)",
]


def test_the_quick_way_agrees_with_the_parser() -> None:
    """Wherever a condition is read by its shape, sqlglot reads the very same clauses out of it."""
    texts = sorted({*_sampled_conditions(), *(text for text, _ in TABLE), *MORE})
    quick = {text: clauses for text in texts if (clauses := plain_clauses(text)) is not None}

    assert len(quick) >= 40
    assert set(MORE) <= set(quick)
    for text, clauses in quick.items():
        parsed: tuple[Clause, ...] | None = sql_clauses(text)
        assert parsed == clauses, text
