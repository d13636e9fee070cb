"""What groups of a whole table tell of a column's different values and of loops with Memoize, by a live server."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest

from rowreckon import auditing
from rowreckon.capture import Capture
from rowreckon.document.audit import Join, Plan
from rowreckon.joins.facts.sides import METHODS
from rowreckon.joins.learning.fellows import Fellows
from rowreckon.learned.facts import ColumnName, RelationName
from rowreckon.plan import parse_document
from tests.joins.live import SERIAL, Connection, apply, capture, explain, filled

TABLES = """
create table huts (id int, name text);
insert into huts select g, repeat('h', 6) from generate_series(1, 1000) g;
create unique index huts_id on huts (id);
create table guests (id int, hut int, week int, season int, pad text);
insert into guests select g, (g * 7919) % 900 + 1, g % 199, g % 199, repeat('g', 20) from generate_series(1, 20000) g;
create table strays (hut int);
insert into strays select g % 10 from generate_series(1, 1000) g;
alter table strays alter hut set statistics 0;
"""
QUERY = "select g.id, h.name from guests g join huts h on h.id = g.hut where {0}"
WRONG, RIGHT = "g.week < 61 and g.season >= 60", "g.week = 60 and g.season >= -1"
GUESTS = RelationName("public", "guests")


@pytest.fixture(scope="module")
def tables(database: str) -> Iterator[Connection]:
    with filled(database, TABLES) as connection:
        yield connection


def _planned(connection: Connection, query: str, **settings: str) -> Capture:
    return capture(connection, query, settings=SERIAL | settings, catalog=False, analyze=False)


def _values(connection: Connection, query: str, table: str, column: str, **settings: str) -> float | None:
    """The different values of a column that another plan learns of a query's plan."""
    reader = _planned(connection, f"select * from {table}").model_copy(update={"name": "reader"})
    learned = Fellows([reader, _planned(connection, query, **settings)], one_database=True).facts_for(reader)
    fact = learned.distinct.get(ColumnName(RelationName("public", table), column))
    return fact.values.low if fact is not None and fact.values.exact else None


@pytest.mark.parametrize("column", ["id", "hut", "week"])
@pytest.mark.parametrize("hashed", ["on", "off"])
def test_groups_of_a_whole_table_are_its_different_values(tables: Connection, column: str, hashed: str) -> None:
    """pg_stats says how many the statistics hold: a number, or a share of the rows."""
    row = tables.execute(
        "select case when n_distinct < 0 then round(-n_distinct * 20000) else n_distinct end from pg_stats"
        " where tablename = 'guests' and attname = %s",
        [column],
    ).fetchone()
    assert row is not None
    query = f"select {column}, count(*) from guests group by {column}"
    assert _values(tables, query, "guests", column, enable_hashagg=hashed) == pytest.approx(float(row[0]), abs=1.0)


@pytest.mark.parametrize("memoize", ["on", "off"])
@pytest.mark.parametrize("week", [2, 12, 60, 150])
def test_the_values_that_drive_a_loop_are_bounded_by_whether_it_remembers_rows(
    tables: Connection, memoize: str, week: int
) -> None:
    """pg_stats is the judge: with Memoize both bounds hold, without one that could have been taken the lower one."""
    row = tables.execute("select n_distinct from pg_stats where tablename = 'guests' and attname = 'hut'").fetchone()
    assert row is not None
    query = f"select g.id, h.name from guests g join huts h on h.id = g.hut where g.week < {week} and g.season >= 0"
    forced = {"enable_hashjoin": "off", "enable_mergejoin": "off", "enable_memoize": memoize}
    reader = _planned(tables, "select * from guests").model_copy(update={"name": "reader"})
    learned = Fellows([reader, _planned(tables, query, **forced)], one_database=True).facts_for(reader)
    fact = learned.distinct.get(ColumnName(GUESTS, "hut"))
    if memoize == "off":
        assert fact is None
    else:
        assert fact is not None
        assert fact.values.low <= float(row[0]) <= fact.values.high
        assert fact.values.low > 0.2 * float(row[0])


@pytest.mark.parametrize(
    ("query", "table"),
    [
        ("select hut from guests where week < 50 group by hut", "guests"),
        ("select hut from guests group by hut having count(*) > 5", "guests"),
        ("select hut, week from guests group by hut, week", "guests"),
        ("select hut % 10 from guests group by 1", "guests"),
        ("select hut from strays group by hut", "strays"),
    ],
)
def test_other_groups_tell_nothing(tables: Connection, query: str, table: str) -> None:
    """A part of the table, a part of the groups, two columns, an expression, and the default without statistics."""
    assert _values(tables, query, table, "hut") is None


def test_what_is_asked_for_decides(tables: Connection) -> None:
    """The one query that is named is only planned, and audited together with the plan it decides as the server does."""
    plan = capture(tables, QUERY.format(WRONG), catalog=False).model_copy(update={"name": "own"})
    whole = _planned(tables, "select * from huts").model_copy(update={"name": "huts"})
    before = _audited(plan, whole)
    missing = before.missing[before.joins[0].missing[0]]
    assert before.joins[0].verdict == "undecided"
    assert "how many different values public.guests.hut has" in before.joins[0].why
    assert missing.what == "how many different values public.guests.hut has"

    shares = re.search(r": held for (\d+)% of [\d,]+ to [\d,]+ values, crossed for (\d+)%$", missing.why)
    assert shares is not None, missing.why
    assert 0 < sum(int(share) for share in shares.groups()) <= 101  # rounded

    asked = missing.how.splitlines()[-1].rstrip(";")
    row = tables.execute(asked.encode()).fetchone()
    assert row is not None
    counted = whole.model_copy(update={"name": "groups", "explain": parse_document(row[0][0])})
    after = _audited(plan, whole, counted)
    assert "groups" in after.joins[0].learned_from
    assert _chosen(after.joins[0]) == _taken(tables), after.joins[0].why
    assert int(shares[1 if after.joins[0].verdict == "held" else 2]) > 0


def _audited(*captures: Capture) -> Plan:
    """The first plan's audit, with the others of its database."""
    return auditing.audit(captures, one_database=True).plans[0]


def _chosen(join: Join) -> str | None:
    assert join.verdict in ("held", "crossed"), join.why
    return join.best_at_actual


def _taken(connection: Connection) -> str:
    """The method where the estimate is right, by the server."""
    with connection.transaction(force_rollback=True):
        apply(connection, SERIAL)
        return METHODS[explain(connection, QUERY.format(RIGHT)).plan.node_type]
