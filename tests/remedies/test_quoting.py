"""Names and literals as SQL text, against the server's own quote_ident() and quote_literal()."""

from __future__ import annotations

import psycopg
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rowreckon.causes import TableName
from rowreckon.remedies.quoting import fitting_name, quote_literal, quote_table
from rowreckon.sql.keywords import quote_name
from tests.servers.fixtures import MatrixServer

NAMES = [
    "huts",
    "Huts",
    "hut 7",
    'say "hut"',
    "order",
    "user",
    "select",
    "name",
    "between",
    "_x",
    "7huts",
    "hütte",
    "a$b",
    "",
]


def test_names_as_the_server_quotes_them(matrix_server: MatrixServer) -> None:
    """On each major: the same quotes as quote_ident(), for odd names and for every keyword.

    A keyword that only another release knows is quoted as well, which is never wrong.
    """
    with psycopg.connect(matrix_server.dsn) as connection:
        rows = connection.execute("select word, catcode::text from pg_get_keywords()").fetchall()
        words = [word for word, _ in rows] + [n for n in NAMES if n]
        for word in words:
            row = connection.execute("select quote_ident(%s)", (word,)).fetchone()
            assert row is not None
            mine = quote_name(word)
            assert mine in (row[0], f'"{word}"'.replace('say "hut"', 'say ""hut""')), word
            if row[0].startswith('"'):
                assert mine == row[0], word


@given(st.text(alphabet=st.characters(exclude_characters="\0", exclude_categories=["Cs"]), min_size=1, max_size=40))
def test_quoting_is_reversible(name: str) -> None:
    """A quoted name holds the name itself, doubled quotes undone, and nothing else."""
    quoted = quote_name(name)
    assert quoted == name or quoted[1:-1].replace('""', '"') == name
    if quoted == name:
        assert name.isascii()
        assert name == name.lower()


@pytest.mark.parametrize("text", ["plain", "it's", "back\\slash", "both\\'", "", "ünï", "a''b"])
def test_literals_keep_their_text(server: str, text: str) -> None:
    """The server reads the literal back as the text, with standard_conforming_strings on and off."""
    with psycopg.connect(server) as connection:
        connection.execute("set escape_string_warning = off")
        for setting in ("on", "off"):
            connection.execute(f"set standard_conforming_strings = {setting}".encode())
            row = connection.execute(f"select {quote_literal(text)}".encode()).fetchone()
            assert row == (text,)


def test_qualified_names() -> None:
    """The schema stands before the table where it is known."""
    assert quote_table(TableName("Order", "flight desk")) == '"flight desk"."Order"'
    assert quote_table(TableName("huts")) == "huts"


def test_new_names_fit() -> None:
    """PostgreSQL cuts names at 63 bytes: ours are cut before their kind, and hold no character that hurts."""
    name = fitting_name("a" * 50, "bé" * 30, "lower((x)::text)", "stats")
    assert len(name.encode()) <= 63
    assert name.endswith("_stats")
    assert fitting_name("Order", "From", "To", "idx") == "Order_From_To_idx"
