"""Taking the alias off an expression in the server's spelling."""

from __future__ import annotations

import pytest

from rowreckon.sql.spelling import is_column, names_of, with_alias, without_alias


@pytest.mark.parametrize(
    ("text", "alias", "bare"),
    [
        ("lower(h.name)", "h", "lower(name)"),
        ('lower(("T x"."Odd Col")::text)', "T x", 'lower(("Odd Col")::text)'),
        ("h.payload ->> 'h.kind'::text", "h", "payload ->> 'h.kind'::text"),
        ("h.f(h.a)", "h", "h.f(a)"),
        ("x.h.a", "h", "x.h.a"),
        ("h.a + hh.b", "h", "a + hh.b"),
        ("'it''s h.a'::text || h.a", "h", "'it''s h.a'::text || a"),
        ('"say ""h"".x"', "h", '"say ""h"".x"'),
        ("date_trunc('month'::text, l.made)", "l", "date_trunc('month'::text, made)"),
        ("lower(name)", None, "lower(name)"),
    ],
)
def test_without_alias(text: str, alias: str | None, bare: str) -> None:
    """Columns lose their qualifier; functions, literals and quoted names keep every character."""
    assert without_alias(text, alias) == bare


def test_another_alias() -> None:
    """Only columns of the alias take it, in quotes where the server would print them."""
    told = with_alias("((p_1.id = s.id) AND (p_1.note <> 'p_1.x'::text))", "p_1", "Stay Log")

    assert told == '(("Stay Log".id = s.id) AND ("Stay Log".note <> \'p_1.x\'::text))'
    assert with_alias('("P 1".id = 5)', "P 1", "stays") == "(stays.id = 5)"
    assert with_alias("(p_1.id", "p_1", "user") == '("user".id'


@pytest.mark.parametrize(
    ("text", "answer"),
    [
        ("name", True),
        ('h."Odd Name"', True),
        ("(h.name)::text", True),
        ("name::text", True),
        ("(name)", True),
        ("name::integer", False),
        ("lower(name)", False),
        ("a.b.c", False),
        ("name ||", False),
        ("'name'", False),
        ("", False),
    ],
)
def test_bare_columns(text: str, answer: bool) -> None:
    """A cast to text is free for a varchar; any other computes."""
    assert is_column(text) is answer


def test_names_are_unquoted() -> None:
    """Identifiers come out raw; a literal's words do not."""
    assert names_of('lower(h."Odd ""x""") = \'word\'') == {"lower", "h", 'Odd "x"'}
