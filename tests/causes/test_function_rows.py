"""Functions that return other numbers of rows than declared, with a filter on what they return."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.causes.registry import BY_CODE

from .live import Connection, codes, first, judged


@pytest.fixture
def counting(database: str) -> Iterator[Connection]:
    """A function that returns 20,000 rows and is taken for the default of a thousand; gone afterwards."""
    with psycopg.connect(database, autocommit=True) as connection, connection.transaction(force_rollback=True):
        connection.execute(
            "create function beds() returns setof int language plpgsql stable as"
            " $$ begin return query select i from generate_series(1, 20000) i; end $$"
        )
        yield connection


def test_a_filter_that_keeps_most_rows_does_not_hide_the_function(counting: Connection) -> None:
    """The plan counts what the filter took away; with the number that is advised the server's estimate is right."""
    query = "select count(*) from beds() b where b <> 7"
    ill = judged(counting, query)
    (cure,) = BY_CODE["function_row_default"].remedy(first(ill).subject, ill.capture)
    for statement in cure.sql:
        counting.execute(statement.encode())

    assert first(ill).code == "function_row_default"
    assert cure.sql[0].endswith("ROWS 20000")
    assert judged(counting, query).findings == ()


def test_a_filter_that_keeps_other_shares_is_not_the_functions_fault(counting: Connection) -> None:
    """Declared right, the error is the filter's default share alone."""
    counting.execute("alter function beds() rows 20000")

    assert "function_row_default" not in codes(judged(counting, "select count(*) from beds() b where b = 7"))
    assert "function_row_default" not in codes(judged(counting, "select count(*) from beds() b where b % 7 = 8"))
