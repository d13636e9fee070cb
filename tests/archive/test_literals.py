"""What is a literal, by PostgreSQL's lexical rules (manual, "Lexical Structure"); and that no text takes long."""

from __future__ import annotations

import pytest

from rowreckon.archive.literals import normalised
from rowreckon.sql.shape import condition_shape as condition_without_literals

SAME = [
    ("select * from huts where id = 5", "SELECT *  FROM huts\n where id = 77"),
    ("select 'it''s'", "select 'x'"),
    ("select 1e-5, .5", "select 20, .7"),
    ("select * from huts where id in (1, 2, 3)", "select * from huts where id in (9)"),
    ("select $1", "select 12"),
    ("select $$it's$$, 1", "select $tag$ a $$ b $tag$, 2"),
    ("select 1 -- the warden's\n from huts", "select 2 from huts"),
    ("select /* trace 17 */ 1", "select 1"),
    ("select * from huts where name = 'a -- b'", "select * from huts where name = 'c'"),
    (r"select E'it\'s', 1", r"select E'a\\', 2"),
]
DIFFERENT = [
    ("select * from bookings1", "select * from bookings2"),
    ('select * from "Hut 7"', 'select * from "Hut 8"'),
    ("select a from huts", "select b from huts"),
    ("select a.b2 from a", "select a.b3 from a"),
]


@pytest.mark.parametrize(("one", "other"), SAME)
def test_the_same_statement(one: str, other: str) -> None:
    """Literals, comments, blanks and case make no difference."""
    assert normalised(one) == normalised(other)


@pytest.mark.parametrize(("one", "other"), DIFFERENT)
def test_another_statement(one: str, other: str) -> None:
    """Names make one, with digits or quoted."""
    assert normalised(one) != normalised(other)


def test_conditions_as_explain_prints_them() -> None:
    """Casts of literals go with them; a subplan's number is its name; a parameter stays."""
    printed = (
        "((kind = 'k1'::text) AND (at < '2026-07-01 00:00:00+00'::timestamp with time zone) AND (x = '-1'::integer))"
    )

    assert condition_without_literals(printed) == "((kind = ?) AND (at < ?) AND (x = ?))"
    assert condition_without_literals("(NOT (hashed SubPlan 1))") == "(NOT (hashed SubPlan 1))"
    assert condition_without_literals("(id = $0)") == "(id = $0)"
    assert condition_without_literals("(p = ANY ('{1,2}'::integer[]))") == "(p = ANY (?))"


@pytest.mark.parametrize("piece", ["'", "$a$ ", "$$", "/*", "--", '"', "E'\\", "1e", "1.", "?::", "(1,", "$a$ $b$ "])
def test_what_stays_open_to_the_end_is_a_literal_or_nothing(piece: str) -> None:
    """A long query of whatever never ends gives a text no longer than itself."""
    text = piece * (20_000 // len(piece))

    assert len(normalised(text)) <= len(text)
    assert len(condition_without_literals(text)) <= len(text)
