"""Expressions and lists of types out of somebody's text: read node by node, printed anew, all else refused.

Checked against a server: what is printed means what was written.
"""

from __future__ import annotations

import psycopg
import pytest

from rowreckon.sql.grammar import NotSql
from rowreckon.sql.scalar import expression, signature

READ = [
    "lower(name)",
    "(lower((name)::text) = 'x'::text)",
    "EXTRACT(year FROM made)",
    "date_trunc('month'::text, made)",
    "((note ->> 'k'::text))::integer",
    "(kinds)[1]",
    "(id = ANY ('{1,2}'::integer[]))",
    "((name || 'x'::text) COLLATE \"C\")",
    "(id IS NOT DISTINCT FROM 3)",
    "((id >= 1) AND (id <= 3))",
    "(name ~~ 'a\\b%'::text)",
    "CASE WHEN (id > 1) THEN 2 ELSE id END",
    "COALESCE(name, ''::text)",
    "GREATEST(id, 7)",
    "(NOT open)",
    "(open IS NOT TRUE)",
    "(made AT TIME ZONE 'UTC'::text)",
    '"substring"(name, 1, 3)',
    "(- id)",
    "(id OPERATOR(pg_catalog.+) 1)",
]
REFUSED = [
    "",
    ")",
    "id) , (name",
    "id); DROP TABLE huts; --",
    "id) FROM huts WHERE (open",
    "id) x --",
    "(SELECT 1)",
    "EXISTS (SELECT 1)",
    "count(*)",
    "sum(id) OVER ()",
    "array_agg(id ORDER BY id)",
    "count(DISTINCT id)",
    "$1",
    "huts.id",
    "*",
    "id /* */",
    "CURRENT_DATE",
    "f(VARIADIC kinds)",
    "f(a => 1)",
    "xmlparse(document name)",
    "id IS OF (integer)",
    "(SubPlan 1)",
    "CURRENT OF c",
    "id = 'x\0'",
    "id = '\ud800'",
    "'never ends",
    "(" * 12_000 + "id" + ")" * 12_000,
]


@pytest.mark.parametrize("text", READ)
def test_what_is_printed_means_the_same(text: str, server: str) -> None:
    """The server shows the same expression for the text and for what was printed."""
    with psycopg.connect(server) as connection:
        connection.execute(
            "create temporary table huts(id integer, name text, made timestamp, note jsonb, kinds text[], open boolean)"
        )
        shown = []
        for number, written in enumerate((text, expression(text))):
            connection.execute(f"create temporary view v{number} as select {written} as x from huts".encode())
            row = connection.execute(f"select pg_get_viewdef('v{number}'::regclass)".encode()).fetchone()
            shown.append(row)
        assert shown[0] == shown[1]


@pytest.mark.parametrize("text", REFUSED, ids=range(len(REFUSED)))
def test_all_else_is_refused(text: str) -> None:
    """One error with a reason, whatever the text holds."""
    with pytest.raises(NotSql) as refused:
        expression(text)
    assert refused.value.reason


@pytest.mark.parametrize(
    ("text", "printed"),
    [
        ("", ""),
        ("integer", "int"),
        ('hut integer, VARIADIC "B c" text[]', "int, VARIADIC text[]"),
        ("numeric(10,2)", "numeric(10, 2)"),
        ('"My Type", s."o"', '"My Type", s.o'),
        ("character varying, timestamp without time zone", "varchar, timestamp"),
    ],
)
def test_types(text: str, printed: str) -> None:
    """Types and modes stay, the arguments' names go."""
    assert signature(text) == printed


@pytest.mark.parametrize(
    "text",
    [
        "integer) ROWS 1; DROP TABLE huts; --",
        "integer) ROWS 1 --",
        ") ROWS 2 COST 3 --",
        ") COST 3 ROWS 1; ALTER FUNCTION f(",
        ") OWNER TO hans; ALTER FUNCTION g(",
        "integer DEFAULT 5",
        "huts.id%TYPE",
        "setof integer",
        "*",
        "1",
        "numeric(f(1))",
    ],
)
def test_no_list_of_types(text: str) -> None:
    """More than types, or less, is refused."""
    with pytest.raises(NotSql):
        signature(text)
