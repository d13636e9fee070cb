"""Small questions of a text: what a literal, a comment or a quoted name says is no answer.

The meaning of each clause is the manual's (SELECT, "SQL Expressions"); no server is asked.
"""

from __future__ import annotations

import pytest

from rowreckon.sql.questions import (
    cast_types,
    depends_on_session,
    first_of_equals,
    operators_and_lists,
    relations_named,
    removes_duplicates,
    sorts_rows,
)


@pytest.mark.parametrize(
    ("query", "answer"),
    [
        ("select * from (select distinct city from huts) h", True),
        ("select * from (select DISTINCT on (city) city from huts) h", True),
        ("with h as (select city, count(*) from huts group by city) select * from h", True),
        ("select distinct city from huts", False),
        ("select city, count(*) from huts h where exists (select from guests) group by city", False),
        ("select 1 union all select 2", True),
        ("select 1 except select 2", True),
        ("select * from (select city from huts intersect select city from guests) both_of_them", True),
        ("select * from huts h where exists (select from guests g where g.city = h.city)", False),
        ("select 'group by' from huts -- distinct", False),
        ('select "union" from huts', False),
        ("select count(distinct city) from huts", False),
        ("select distinct from from", True),
        ("select city from huts", False),
    ],
)
def test_which_queries_remove_duplicates(query: str, answer: bool) -> None:
    """The clauses of a SELECT within the query's own, at any depth; what cannot be read might."""
    assert removes_duplicates(query) is answer


@pytest.mark.parametrize(
    ("query", "answer"),
    [
        ("select * from huts order by id", True),
        ("insert into log select * from huts ORDER /* by */ BY id", True),
        ("select * from (select * from huts order by id) h", True),
        ("select 'order by' from huts", False),
        ("select array_agg(id order by id) from huts", False),
        ("select rank() over (order by id) from huts", False),
        ('select "order" from huts', False),
        ("select order by", False),
    ],
)
def test_which_queries_sort_their_rows(query: str, answer: bool) -> None:
    """The order of an aggregate's or a window's input is another."""
    assert sorts_rows(query) is answer


@pytest.mark.parametrize(
    ("expression", "answer"),
    [
        ("(owner = CURRENT_USER)", True),
        ("(day < CURRENT_DATE)", True),
        ("(at < LOCALTIMESTAMP)", True),
        ('("user" = 5)', False),
        ("(note = 'current_user'::text)", False),
        ("(user_id = 7)", False),
        ("(user = ", True),
    ],
)
def test_which_expressions_depend_on_the_session(expression: str, answer: bool) -> None:
    """Names of the session as EXPLAIN prints them, told from columns and literals of the same words."""
    assert depends_on_session(expression) is answer


@pytest.mark.parametrize(
    ("expression", "types"),
    [
        ("((a.price)::money = b.price)", {"money"}),
        ("(a.flags = (b.flags)::bit varying)", {"varbit"}),
        ('((a.x)::integer = (b.x)::"Odd".kind)', {"int4", "kind"}),
        ("(a.note = '::money'::text)", {"text"}),
        ("(a.x = b.x)", set()),
        ("(a.x)::", set()),
    ],
)
def test_which_types_an_expression_casts_to(expression: str, types: set[str]) -> None:
    """As stored: `bit varying` is varbit."""
    assert cast_types(expression) == types


@pytest.mark.parametrize(
    ("expression", "answer"),
    [
        ("((a + 1) > 5)", (2, ())),
        ("(note = 'a > b = c'::text)", (1, ())),
        ("(kind = ANY ('{1,2,3}'::integer[]))", (1, (3,))),
        ("(a = -1)", (1, ())),
        ("(a = 'never ends", (0, ())),
    ],
)
def test_operators_and_lists(expression: str, answer: tuple[int, tuple[int, ...]]) -> None:
    """Those between two operands; a sign before a number is none of them, nor is one in a literal."""
    assert operators_and_lists(expression) == answer


def test_which_relations_a_query_names() -> None:
    """Each by its own name, wherever it stands; no alias, and no word of a text."""
    query = "select 'trail' from a.hut h where exists (select from \"Guest\" join only night on true)"

    assert relations_named(query) == {"hut", "Guest", "night"}
    assert relations_named("select from from") == frozenset()


@pytest.mark.parametrize(
    ("query", "first"),
    [
        ("select * from huts h join guests g on g.hut = h.id", "g.hut"),
        ("select * from huts h join guests g on h.id = g.hut", "h.id"),
        ("select * from huts h, guests g, trails t where t.hut = g.hut and g.hut = h.id", "t.hut"),
        ("select * from huts h, guests g, trails t where h.id = g.hut and t.hut = g.hut", "h.id"),
        ("select * from huts h join guests g on g.hut < h.id", "h.id"),
        ("select * from huts h where h.id = 3", "h.id"),
        ("no query", "h.id"),
    ],
)
def test_first_of_equal_columns(query: str, first: str) -> None:
    """The column that the planner has first of those that equalities make equal (process_equivalence in
    optimizer/path/equivclass.c); tests/joins/test_equal_columns.py holds what hangs on it to a server."""
    assert first_of_equals(query, "h.id") == first
