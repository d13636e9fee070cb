"""The one door to PostgreSQL's grammar: bounds hold, errors have a place, printing gives the same tree.

The library is libpg_query, PostgreSQL's own parser; limits are proven with the worst inputs that we know.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from rowreckon.sql.grammar import DEEPEST, MOST_BYTES, NotSql, fingerprint, parse, printed, scan

NESTED: dict[str, Callable[[int], str]] = {
    "operators": lambda n: "select " + "+".join(["1"] * n),
    "parentheses": lambda n: "select " + "(" * n + "1" + ")" * n,
    "case": lambda n: "select " + "case when a then " * n + "1" + " end" * n,
    "subqueries": lambda n: "select " + "(select " * n + "1" + ")" * n,
    "not": lambda n: "select " + "not " * n + "true",
    "union": lambda n: "select 1 union " * n + "select 1",
    "joins": lambda n: "select from a " + "join a on true " * n,
    "casts": lambda n: "select 1" + "::int" * n,
    "from": lambda n: "select " + "* from (select " * n + "1" + ") a" * n,
    "with": lambda n: "with a as (" * n + "select 1" + ") select 1" * n,
    "calls": lambda n: "select " + "f(" * n + "1" + ")" * n,
    "arrays": lambda n: "select " + "array[" * n + "1" + "]" * n,
    "exists": lambda n: "select " + "exists(select 1 where " * n + "true" + ")" * n,
    "minus signs": lambda n: "select " + "- " * n + "1",
    "indirection": lambda n: "select a" + "[1]" * n,
    "rows": lambda n: "select " + "row(" * n + "1" + ")" * n,
}


@pytest.mark.parametrize("way", NESTED)
@pytest.mark.parametrize("levels", [100, 1_000, 3_000, 9_000, 30_000, 300_000])
def test_deep_nesting_ends_in_a_tree_or_a_sentence(way: str, levels: int) -> None:
    """No way of nesting, however deep, overflows a stack or gives another error than ours."""
    text = NESTED[way](levels)

    try:
        found = len(parse(text).stmts)
    except NotSql:
        found = 0

    assert found == 1 or levels > 1_000


@pytest.mark.parametrize(
    ("text", "at"),
    [("select 'abc", 7), ('select "abc', 7), ("select /* a", 7), ("select $x$ a", 7), ("selec 1", 0), ("a\0b", 1)],
)
def test_an_error_has_its_place(text: str, at: int) -> None:
    """What never ends, or is no SQL, is told with the character where it begins."""
    with pytest.raises(NotSql) as caught:
        parse(text)

    assert caught.value.at == at


def test_what_is_too_long_is_refused_unread() -> None:
    """The bounds on bytes and tokens hold before the library is called."""
    with pytest.raises(NotSql, match="longer"):
        parse("x" * (MOST_BYTES + 1))
    with pytest.raises(NotSql, match="words and signs"):
        scan("1," * 150_000)
    with pytest.raises(NotSql, match="surrogate"):
        parse("select '\ud800'")
    assert DEEPEST < 30_000


def test_tokens_have_places_in_characters() -> None:
    """Characters of several bytes before a token do not move its place."""
    text = "select 'é€😀', \"ö\" /* ü */ from t"

    assert [text[t.start : t.end] for t in scan(text)] == ["select", "'é€😀'", ",", '"ö"', "/* ü */", "from", "t"]
    assert [t.kind for t in scan(text)] == ["word", "string", "symbol", "name", "comment", "word", "word"]


def test_a_string_that_goes_on_below_is_one_token() -> None:
    """Two strings with a line break between them are one literal, as the server reads them."""
    found = scan("select E'a'\n'\\' = ' ; drop table t -- '")

    assert [t.text for t in found[1:4]] == ["E'a'\n'\\' = '", ";", "drop"]


@pytest.mark.parametrize(
    "text",
    [
        "SELECT a + 1 FROM t WHERE x = ANY ('{1,2}'::int[]) AND y IN (1, 2) OR NOT z IS DISTINCT FROM 'é'",
        "INSERT INTO t VALUES (1) ON CONFLICT DO NOTHING",
        "SELECT count(*) FILTER (WHERE a OPERATOR(pg_catalog.=) 1) OVER (PARTITION BY b ROWS 1 PRECEDING) FROM s.t",
    ],
)
def test_printing_gives_the_same_statement(text: str) -> None:
    """What is printed is read again and compared; printing it once more changes nothing."""
    once = printed(parse(text))

    assert printed(parse(once)) == once


def test_literals_do_not_count_in_a_fingerprint() -> None:
    """Statements that differ in literals and spacing share it, others don't."""
    assert fingerprint("select 1 from t where a = 'x'") == fingerprint("SELECT 2\nFROM t WHERE a='y'")
    assert fingerprint("select 1 from t where a = 'x'") != fingerprint("select 1 from t where b = 'x'")
