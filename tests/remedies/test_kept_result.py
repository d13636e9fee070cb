"""Two steps around a computed result: the live server gives the same rows, and estimates them as they come."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.causes.registry import BY_CODE
from tests.causes.live import Connection, first, judged

COUNTS = "select hut, count(*) as n from stays group by hut"


@pytest.fixture(scope="module")
def huts(database: str) -> Iterator[Connection]:
    """Stays, a few in each of many huts."""
    with psycopg.connect(database, autocommit=True) as connection:
        connection.execute("create table stays(stay int, hut int)")
        connection.execute("insert into stays select i, i % 5000 from generate_series(1, 20000) i")
        connection.execute("create table huts(hut int primary key, name text)")
        connection.execute("insert into huts select i, 'hut ' || i from generate_series(0, 4999) i")
        connection.execute("analyze")
        yield connection


@pytest.mark.parametrize(
    "query",
    [
        f"with w as ({COUNTS}) select h.name, w.n from w join huts h on h.hut = w.hut where w.n = 4",
        f"with w as ({COUNTS}), x as (select * from w where n = 4) select name from x join huts using (hut)",
        f"select h.name from ({COUNTS}) c join huts h on h.hut = c.hut where c.n = 4 order by 1",
    ],
    ids=["WITH query", "one that another reads", "subquery"],
)
def test_the_same_rows_come_in_two_steps(huts: Connection, query: str) -> None:
    """Each statement as it is printed; what is kept is estimated within threefold, where it was off by 200."""
    audit = judged(huts, query)
    found = first(audit)
    (draft,) = BY_CODE[found.code].remedy(found.subject, audit.capture)
    before = sorted(huts.execute(query.encode()).fetchall())
    with huts.transaction(force_rollback=True):
        for statement in draft.sql_trial[:-1]:
            huts.execute(statement.encode())
        after = sorted(huts.execute(draft.sql_trial[-1].encode()).fetchall())
        counts = judged(huts, draft.sql_trial[-1]).reckoned.counts

    assert found.code == "computed_result_filter"
    assert found.factor >= 100
    assert before == after
    assert all(count.actual / 3 <= (count.estimate or 0) <= 3 * count.actual for count in counts if count.actual)
