"""Conditions, as servers print them, become clauses with their columns and operators.

The texts of the first table were printed by servers of 13 to 18, or are in their manual; the last checks hold the quick
way of reading against PostgreSQL's own grammar.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import postgast
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rowreckon.plan.condition_text import Cutter, strip_parentheses
from rowreckon.plan.conditions import parse_condition
from rowreckon.plan.plain_condition import plain_clauses
from rowreckon.plan.sql_condition import sql_clauses
from rowreckon.sql.grammar import scan

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

    cutter = Cutter(text, scan(text))

    assert [cutter.said(*part) for part in cutter.conjuncts()] == [
        "a.x = 'p AND q'::text",
        'a."r AND s" = 1',
        "(a.y = 2) OR ((a.z = 3) AND (a.z = 4))",
    ]
    (clause,) = parse_condition("(a.x = 'b = c'::text)").clauses
    assert (clause.left_text, clause.right_text) == ("a.x", "'b = c'::text")
    assert strip_parentheses("((a) = (b))") == "(a) = (b)"
    assert strip_parentheses("('(')") == "'('"


def test_and_within_case_and_between_is_no_border() -> None:
    """The grammar counts two conjuncts, and so does the cutting of the text."""
    clauses = parse_condition("CASE WHEN a.x AND a.y THEN a.z END AND a.n BETWEEN 1 AND 5").clauses

    assert [c.text for c in clauses] == ["CASE WHEN a.x AND a.y THEN a.z END", "a.n BETWEEN 1 AND 5"]


@pytest.mark.parametrize("deep", [2, 2_000, 9_000])
def test_nesting_changes_nothing(deep: int) -> None:
    """Parentheses around parentheses are as good as one pair."""
    assert parse_condition("(" * deep + "a.x = b.y" + ")" * deep).clauses == parse_condition("(a.x = b.y)").clauses


def _sampled_conditions() -> Iterator[str]:
    for path in sorted(SAMPLES.glob("*.json")):
        stack: list[dict[str, Any]] = [json.loads(path.read_text())[0]["Plan"]]
        while stack:
            node = stack.pop()
            stack.extend(node.get("Plans", ()))
            yield from (v for k, v in node.items() if isinstance(v, str) and k.endswith(("Cond", "Filter")))


PLAIN = [
    "(a.x = 1)",
    "((a.x = b.x) AND (a.x = a.x))",
    "((a.x = b.x) AND (a.y <> 5) AND (z >= b.z))",
    "(x_1 < y_2)",
]
NOT_PLAIN = [
    "(a.x = -1)", "(a.x = 1.5)", "(1 = a.x)", "(a.x = 'y'::text)", "(a.x = true)", "(a.x = null)", "(a.x = $1)",
    "(a.x = 1) AND (a.y = 2)", "((a.x = 1))", "(a.x = 1 )", "(A.x = 1)", "(a.x = 1)\n", "(a.x = ü)", "(a.x = 1a)",
    "(a.x = 1) -- b", "(lower(a.x) = b.x)", "(a.b.c = 1)", "(a.x == 1)", "(select = 1)", "a.x = 1", "(a.x = ²)",
]  # fmt: skip
OPERATORS = ("=", "<>", "<", "<=", ">", ">=", "<==", "=>", "!=", "~")


def test_the_quick_way_agrees_with_the_grammar_on_what_servers_print() -> None:
    """Wherever a condition is read by its shape, the grammar reads the very same clauses out of it."""
    texts = sorted({*_sampled_conditions(), *(text for text, _ in TABLE), *PLAIN})
    quick = {text: clauses for text in texts if (clauses := plain_clauses(text)) is not None}

    assert len(quick) >= 20
    assert set(PLAIN) <= set(quick)
    for text, clauses in quick.items():
        assert sql_clauses(text) == clauses, text


@pytest.mark.parametrize("text", NOT_PLAIN)
def test_the_quick_way_admits_no_other_text(text: str) -> None:
    """What is not wholly of the shape goes to the grammar."""
    assert plain_clauses(text) is None


def _key_words() -> Iterator[str]:
    """Every key word of the grammar, of whatever kind, by its own list."""
    for name in postgast.pg_query_pb2.Token.keys():  # noqa: SIM118 - an enumeration, no mapping
        word = name.removesuffix("_P").lower()
        if word.isidentifier() and scan(word)[0].keyword:
            yield word


def test_no_key_word_misleads_the_quick_way() -> None:
    """Each key word in each place: the quick way passes, or reads what the grammar reads."""
    words = sorted(_key_words())
    quick = 0

    assert len(words) > 400
    for word in words:
        for text in (f"({word} = 1)", f"(a.{word} = b.x)", f"({word}.a = b.x)", f"(a.x = {word})", f"(a.x > {word}.y)"):
            clauses = plain_clauses(text)
            quick += clauses is not None
            assert clauses is None or clauses == sql_clauses(text), text
    assert quick > len(words)


_WORDS = st.from_regex(r"[a-z_][a-z0-9_]{0,8}", fullmatch=True)
_SIDES = st.one_of(_WORDS, st.builds("{}.{}".format, _WORDS, _WORDS), st.integers(0, 10**20).map(str), st.just("$1"))
_COMPARED = st.builds("({} {} {})".format, _SIDES, st.sampled_from(OPERATORS), _SIDES)
_TEXTS = st.one_of(
    _COMPARED,
    st.lists(_COMPARED, min_size=2, max_size=4).map(lambda parts: "(" + " AND ".join(parts) + ")"),
    st.text(alphabet="ab1_.=<>()$'-/* \nANDOR", max_size=30),
)


@given(_TEXTS)
@settings(max_examples=400, deadline=None)
def test_the_quick_way_agrees_with_the_grammar_on_any_text(text: str) -> None:
    """Whatever the pattern admits, the grammar reads alike."""
    clauses = plain_clauses(text)

    assert clauses is None or clauses == sql_clauses(text)
