"""Whose a name is: what PostgreSQL has built in, by each server's own catalog, and everything else its author's."""

from __future__ import annotations

from pathlib import Path

import psycopg
import pytest

import rowreckon
from rowreckon.sql.names import author_names, built_in_names, with_names
from tests.servers.fixtures import MatrixServer

_BUILT_IN = """
select proname from pg_catalog.pg_proc where pronamespace = 'pg_catalog'::regnamespace
  and proname ~ '^[a-z_][a-z0-9_]*$'
union
select typname from pg_catalog.pg_type where typnamespace = 'pg_catalog'::regnamespace and typrelid = 0
  and typname ~ '^[a-z][a-z0-9_]*$'
"""


def test_what_a_server_has_built_in_is_known(matrix_server: MatrixServer) -> None:
    """Functions and types of pg_catalog, on 13 to 18."""
    with psycopg.connect(matrix_server.dsn) as connection:
        there = {str(row[0]) for row in connection.execute(_BUILT_IN).fetchall()}

    assert len(there) > 2000
    assert sorted(there - built_in_names()) == []


def test_the_list_is_in_order() -> None:
    """Each name once and sorted, so that a new release's come in as so many lines."""
    path = Path(rowreckon.__file__).parent / "sql" / "built_in_names.txt"
    names = path.read_text("utf-8").split("\n")

    assert names == [*sorted(built_in_names()), ""]


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("(lower(h.name) = 'x'::text)", {"h", "name"}),
        ("((a.rank)::integer > date_part('year'::text, a.date))", {"a", "rank", "date"}),
        ("(public.told(a.x) = 1)", {"public", "told", "a", "x"}),
        ('("Hut 7"."it""s" OPERATOR(huts.=) $1)', {"Hut 7", 'it"s', "huts"}),
        ("(NOT (hashed SubPlan 1))", set()),
        ("((InitPlan 1).col1 = b.col1)", {"b", "col1"}),
        ("select count(*) from huts where season is not null", {"huts", "season"}),
        ("'never closed", set()),
    ],
)
def test_names_are_told_from_functions_and_notations(text: str, names: set[str]) -> None:
    """A name that PostgreSQL has too is its author's where a column stands."""
    assert author_names(text) == names


def test_only_the_authors_names_are_handed_over() -> None:
    """Everything else comes back as it was."""
    text = "select  lower(a.b) /* c */ from \"D e\" -- f\nwhere g = 'h'"

    assert with_names(text, lambda token, mine: "N" if mine else token.text) == (
        "select  lower(N.N) /* c */ from N -- f\nwhere N = 'h'"
    )
