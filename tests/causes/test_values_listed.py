"""How many values an equality names, as EXPLAIN prints a list: PostgreSQL's array literals."""

from __future__ import annotations

import pytest

from rowreckon.causes.clause_kinds import values_listed
from rowreckon.plan.conditions import parse_condition


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("(g.kind = 'a,b'::text)", 1),
        ("(g.kind = ANY ('{7}'::integer[]))", 1),
        ("(g.kind = ANY ('{7,8,9}'::integer[]))", 3),
        ('(g.kind = ANY (\'{"a, b",c,"say \\"d\\", e"}\'::text[]))', 3),
        ("(g.kind = ANY ($1))", 1),
    ],
)
def test_values_of_a_list(text: str, number: int) -> None:
    """A comma within quotes parts no values; what is not told counts as one."""
    (clause,) = parse_condition(text).clauses

    assert values_listed(clause) == number
