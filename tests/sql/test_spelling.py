"""Taking the alias off an expression in the server's spelling."""

from __future__ import annotations

import pytest

from rowreckon.sql.spelling import names_of, without_alias


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


def test_names_are_unquoted() -> None:
    """Identifiers come out raw; a literal's words do not."""
    assert names_of('lower(h."Odd ""x""") = \'word\'') == {"lower", "h", 'Odd "x"'}
