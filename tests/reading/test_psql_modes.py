"""The client's own output in each of its modes, against what the same server gives through a driver."""

from __future__ import annotations

import psycopg
import pytest

from rowreckon.reading import RawPlan, read_plans

from .psql import MODES, psql

# Bars, plus signs, quotes and dots in the strings: what psql's own marks are made of.
QUERY = """select relname || 'a+', 'x|y' from pg_class c join pg_attribute a on a.attrelid = c.oid
 where relname like '%"|+ .%' and attname <> 'it''s' order by 1 """


@pytest.mark.parametrize("mode", MODES)
def test_json_comes_out_of_every_mode_unchanged(mode: str, database: str) -> None:
    """Two plans in one output, each equal to the driver's."""
    statement = f"explain (verbose, settings, format json) {QUERY}"
    with psycopg.connect(database) as connection:
        expected = connection.execute(statement).fetchone()
    assert expected is not None
    found = read_plans(psql(database, [statement, statement], *MODES[mode]))
    assert [each.document for each in found if isinstance(each, RawPlan)] == expected[0] * 2
    assert len(found) == 2


def test_a_terminal_session_gives_plan_and_query(database: str) -> None:
    """With the echo of the statement and the timing on, the plan is found and so is its query."""
    statement = f"explain (format json) {QUERY}"
    found = read_plans(psql(database, ["\\timing", statement, "select 1 as one", statement], "-e"))
    assert [isinstance(each, RawPlan) and each.query for each in found] == [QUERY.strip()] * 2
