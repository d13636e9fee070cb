"""Trees that may be put to a server pass, with every name under its schema; all others are refused with the reason."""

from __future__ import annotations

import pytest

from rowreckon.catalog.reviewed import TYPES
from rowreckon.sql.askable import NotAskable, checked
from rowreckon.sql.expression import printed_expression, read_expression

# as EXPLAIN prints it, and as it is asked for a plan from a file
PASSES = [
    ("(nights = 3)", "b.nights OPERATOR(pg_catalog.=) 3"),
    ("(b.nights = ANY ('{1,2}'::integer[]))", "b.nights OPERATOR(pg_catalog.=) ANY('{1,2}'::int[])"),
    ("(lower((b.guest)::text) ~~ 'a%'::text)",
     "pg_catalog.lower(b.guest::pg_catalog.text) OPERATOR(pg_catalog.~~) 'a%'::pg_catalog.text"),
    ("(EXTRACT(year FROM b.made) = '2024'::numeric)",
     "pg_catalog.\"extract\"('year', b.made) OPERATOR(pg_catalog.=) '2024'::numeric"),
    ("(b.mood = 'calm'::mood)", "b.mood OPERATOR(pg_catalog.=) 'calm'"),
    ("(b.mood = ANY ('{calm}'::huts.mood[]))", "b.mood OPERATOR(pg_catalog.=) ANY('{calm}')"),
    ("(b.guest < ('x'::text COLLATE \"C\"))",
     "b.guest OPERATOR(pg_catalog.<) 'x'::pg_catalog.text COLLATE pg_catalog.\"C\""),
    ("(b.made > (CURRENT_DATE - 3))", "b.made OPERATOR(pg_catalog.>) (current_date OPERATOR(pg_catalog.-) 3)"),
    (r"(b.guest = 'C:\x'::text)", r"b.guest OPERATOR(pg_catalog.=) E'C:\\x'::pg_catalog.text"),
    ("(b.id IS DISTINCT FROM 3)", "b.id IS DISTINCT FROM 3"),
]  # fmt: skip
REFUSED = [
    ("(b.id = (SELECT 1))", "subquery"), ("(b.id = $1)", "elsewhere"), ("count(*)", "agg_star"),
    ("(sum(b.id) OVER (?) > 3)", "over"), ("max(DISTINCT b.id)", "agg_distinct"), ("f(VARIADIC b.tags)", "variadic"),
    ("f(a => b.id)", "argument by name"), ("public.f(b.id)", "public.f"), ("(b.id OPERATOR(x.=) 1)", "x.="),
    ("((b.guest)::spied = 'a'::text)", "casts to spied"), ("(other.id = 3)", "other.id"), ("(a.b.id = 3)", "a.b.id"),
    ("b.*", "whole row"), ("(b.id IN (1, 2))", "does not print"), ("XMLELEMENT(NAME a)", "XmlExpr"),
    ("(b.guest < ('x'::text COLLATE huts.x))", "huts.x"), ("(b.guest)::regclass", "casts to regclass"),
    ("GROUPING(b.id)", "grouping"), ("string_agg(b.guest, ',' ORDER BY b.id)", "agg_order"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "sql"), PASSES)
def test_what_is_asked_names_everything(text: str, sql: str) -> None:
    """No search path has a say in it, and a bare column belongs to the scan."""
    assert printed_expression(checked(read_expression(text).node, {"b"}, own_alias="b", strict=TYPES).node) == sql


@pytest.mark.parametrize(("text", "why"), REFUSED)
def test_what_is_not_asked_says_why(text: str, why: str) -> None:
    """One sentence's worth of a reason, with the name that it is about."""
    with pytest.raises(NotAskable, match=why):
        checked(read_expression(text).node, {"b"}, own_alias="b", strict=TYPES)


def test_ones_own_names_stay_as_they_are() -> None:
    """A plan that the server has just made may name functions and types of the users' own."""
    text = "((public.f(b.id) OPERATOR(x.=) 'a'::huts.mood) AND g(b.tags))"

    found = checked(read_expression(text).node, {"b"})

    assert printed_expression(found.node) == "public.f(b.id) OPERATOR(x.=) 'a'::huts.mood AND g(b.tags)"
    assert found.uses.functions == {("f", 1), ("g", 1)}
