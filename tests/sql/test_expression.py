"""Expressions in EXPLAIN's own notation become trees; everything that is more than one expression is refused.

The notations are those that `ruleutils.c` and `explain.c` of PostgreSQL 13 to 18 print.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from rowreckon.sql.expression import conjuncts, printed_expression, read_expression
from rowreckon.sql.grammar import NotSql, scan

SAMPLES = Path(__file__).parents[2] / "sample_plans"

# text, the same as SQL, the kinds of its notations
NOTATIONS = [
    ("(h.id = b.hut_id)", "h.id = b.hut_id", []),
    ("(hashed SubPlan 1)", "$1", ["subplan"]),
    ("(NOT (hashed SubPlan 1))", "NOT $1", ["subplan"]),
    ("(a.x = (SubPlan 1).col2)", "a.x = $1", ["subplan"]),
    ("(a.x = (InitPlan 1 (returns $0)).col1)", "a.x = $1", ["subplan"]),
    ("(rescan SubPlan 2)", "$1", ["subplan"]),
    ("(alternatives: SubPlan 1 or hashed SubPlan 2)", "$1", ["subplan"]),
    ("EXISTS(SubPlan 1)", "$1", ["subplan"]),
    ("(a.x && ARRAY(SubPlan 3))", "a.x && $1", ["subplan"]),
    ("(ANY (a.x = (hashed SubPlan 1).col1))", "$1 = ANY(a.x = $2)", ["test", "subplan"]),
    ("(a.x > $0)", "a.x > $1", ["parameter"]),
    ("(($3 = a.x) AND (a.y = $1))", "$1 = a.x AND a.y = $2", ["parameter", "parameter"]),
    ("CURRENT OF c", "$1", ["cursor"]),
    ("row_number() OVER (?)", "row_number() OVER ()", []),
    ("PARTIAL sum(x.a)", "sum(x.a)", []),
    ("(a.x OPERATOR(public.=) b.y)", "a.x OPERATOR(public.=) b.y", []),
    ("(a.t = 'hut (SubPlan 1) it''s $0 CURRENT OF c'::text)", None, []),
    ("('CURRENT' = 'SubPlan'::text)", None, []),
]


@pytest.mark.parametrize(("text", "sql", "kinds"), NOTATIONS, ids=[n[0] for n in NOTATIONS])
def test_notations_become_parameters(text: str, sql: str | None, kinds: list[str]) -> None:
    """Each is told apart by kind, names its plans, and says where it stood; literals stay literals."""
    read = read_expression(text)

    assert [n.kind for n in read.notations] == kinds
    assert all(text[n.start : n.end] == n.text for n in read.notations)
    assert sql is None or printed_expression(read.node) == sql


@pytest.mark.parametrize(
    "text",
    [
        "E'a'\n'\\' = ' ; copy (select 1) to program 'x' -- '",
        "a = 1; drop table t", "a = 1) or (b = 2", "a = 1 -- x", "a /* x */ = 1", "a = 'x", 'a = "x', "a b", "a, b",
        "a from t", "a into t", "a limit 1", "a for update", "a union select 1", "distinct a", "all (a)", "", " ",
        "a where b", "a order by b", "a as b", "(SubPlan 1) (SubPlan 2)", "(((", "a window w as ()", "\ud800",
        "a = 1 \\gexec", "select 1", "a\0b",
    ],
)  # fmt: skip
def test_more_than_one_expression_is_refused(text: str) -> None:
    """Statements, lists, aliases, clauses, comments and what never ends are no expression."""
    with pytest.raises(NotSql):
        read_expression(text)


@pytest.mark.parametrize(
    ("text", "sql"),
    [
        (r"'\'", r"E'\\'"),
        (r"E'it\'s'", "'it''s'"),
        (r"U&'\0041\005c'", r"E'A\\'"),
        ("$x$it's \\ $x$", r"E'it''s \\ '"),
        ("E'a'\n'\\''", "'a'''"),
    ],
)
def test_literals_are_printed_for_both_settings(text: str, sql: str) -> None:
    """No plain literal of ours holds a backslash, so standard_conforming_strings changes nothing in it."""
    printed = printed_expression(read_expression(text).node)

    assert printed == sql
    assert not any("\\" in t.text and t.text[0] not in "eE" for t in scan(printed))


def test_places_lead_back_to_the_text() -> None:
    """A place in the tree, counted in bytes of other text, is a character of what EXPLAIN printed."""
    text = "(('é€' = (SubPlan 1)) AND (hütte.länge = $0) AND (c = 5))"
    read = read_expression(text)

    first, second, third = conjuncts(read.node)

    assert text[read.place(second.a_expr.lexpr.column_ref.location) :].startswith("hütte")
    assert text[read.place(third.a_expr.lexpr.column_ref.location) :].startswith("c = 5")
    assert text[read.place(first.a_expr.lexpr.a_const.location) :].startswith("'é€'")


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        for key, inner in value.items():
            if key.endswith(("Cond", "Filter")) and isinstance(inner, str):
                yield inner
            elif key == "Output":
                yield from inner
            else:
                yield from _texts(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _texts(inner)


def test_all_conditions_of_the_sample_plans_are_read() -> None:
    """Servers of 13 to 18 printed them: each is an expression, and printing and reading it again changes nothing."""
    texts = {t for path in SAMPLES.glob("*.json") for t in _texts(json.loads(path.read_text()))}

    assert len(texts) > 100
    for text in texts:
        once = printed_expression(read_expression(text).node)
        if "$" not in once:
            assert printed_expression(read_expression(once).node) == once
