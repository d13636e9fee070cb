"""Literals leave SQL text, everything else stays; what could not be read is left out, never called masked.

The forms of literals are those of PostgreSQL's manual, "Lexical Structure".
"""

from __future__ import annotations

import pytest

from rowreckon.sql.masking import mask_expression, mask_statement

STATEMENTS = [
    ("select 'it''s', \"it's\" from t", "select '***', \"it's\" from t"),
    (r"select E'it\'s', $$a$$, $t$ b $$ c $t$", "select '***', '***', '***'"),
    ("select B'101', X'1F', N'abc'", "select '***', '***', N'***'"),
    ("select U&'d!0061t' UESCAPE '!' as x, U&\"d!0061t\" UESCAPE '!'", "select '***' as x, U&\"d!0061t\" UESCAPE '!'"),
    ("select 'a'\n 'b'", "select '***'"),
    ("select 12, 1.5, .5, 1e-5, 0x1F, 1_000, $1", "select '***', '***', '***', '***', '***', '***', $1"),
    ("select /* 1 /* nested 'x' */ 2 */ a -- 'y'\nfrom t", "select   a  \nfrom t"),
    ("select x::varchar(20), cast(y as numeric(10,2))", "select x::varchar(20), cast(y as numeric(10,2))"),
    ("select a, b from t order by 1, 2 limit 5", "select a, b from t order by 1, 2 limit '***'"),
    ("select a from t order by 98765", "select a from t order by '***'"),
    ("SET application_name TO word", "SET application_name TO '***'"),
    ("SET search_path TO huts, public", "SET search_path TO huts, public"),
    ("SET TIME ZONE word", "SET TIME ZONE '***'"),
    ("set plan_cache_mode = force_custom_plan", "set plan_cache_mode = force_custom_plan"),
    ("select extract(word from x), extract(epoch from y)", "select extract('***' from x), extract(epoch from y)"),
    ("select a = any('{1,\"p,q\",3}'::int[])", "select a = any('{***,***,***}'::int[])"),
    (
        "select 'ü', x::varchar(7) from \"Hütte\" where a = 'ß'",
        "select '***', x::varchar(7) from \"Hütte\" where a = '***'",
    ),
]
CUT = [
    ("select * from t where a = 'abc", "select * from t where a = …"),
    ("select * from t where a = 5 and", "select * from t where a = '***' and"),
    ("select 1 /* never closed", "select '***' …"),
    ("select 123abc", "select …"),
    ("COPY t FROM stdin;\nword\tword\n\\.", "COPY t FROM stdin; …"),
    ("SET a TO word, word word", "SET …"),
    ("select 1; no statement", "select '***'; …"),
    (r"select 'a\'b word' from t", "select …"),
    ("\0", "…"),
    ("(" * 200_001, "…"),
]
EXPRESSIONS = [
    ("((b.x)::character varying(20) = 'abc'::text)", "((b.x)::character varying(20) = '***'::text)"),
    ("((x)::numeric(10,2) > '-1.5'::numeric)", "((x)::numeric(10,2) > '***'::numeric)"),
    ("(x::text IN (5, 6))", "(x::text IN ('***', '***'))"),
    ("(NOT (hashed SubPlan 1))", "(NOT (hashed SubPlan 1))"),
    ("((InitPlan 2 (returns $1)).col1 = 5)", "((InitPlan 2 (returns $1)).col1 = '***')"),
    ("(EXTRACT(year FROM a) = EXTRACT(word FROM b))", "(EXTRACT(year FROM a) = EXTRACT('***' FROM b))"),
    ("FOR VALUES FROM ('2026-01-01') TO (MAXVALUE)", "FOR VALUES FROM ('***') TO (MAXVALUE)"),
    ("$1 = 'x', $2 = NULL", "$1 = '***', $2 = NULL"),
]


@pytest.mark.parametrize(("text", "masked"), STATEMENTS)
def test_a_statement_without_its_literals(text: str, masked: str) -> None:
    """Names, types, modifiers, positions and key words stay."""
    assert mask_statement(text) == masked


@pytest.mark.parametrize(("text", "masked"), CUT, ids=lambda text: text[:20])
def test_what_could_not_be_read_is_left_out(text: str, masked: str) -> None:
    """From where the scanner or the grammar gives up, nothing comes through."""
    assert mask_statement(text) == masked


@pytest.mark.parametrize(("text", "masked"), EXPRESSIONS)
def test_an_expression_as_a_server_prints_it(text: str, masked: str) -> None:
    """EXPLAIN's notations stay as they are."""
    assert mask_expression(text) == masked


@pytest.mark.parametrize("text", [text for text, _ in (*STATEMENTS, *CUT)])
def test_masking_what_is_masked_changes_nothing(text: str) -> None:
    """So a masked capture can be masked again."""
    once = mask_statement(text)

    assert mask_statement(once) == once
