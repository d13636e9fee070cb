"""Two steps around a computed result: the live server gives the same rows, and estimates them as they come."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.causes.registry import BY_CODE
from rowreckon.remedies.kept_result import kept_result
from rowreckon.remedies.subject import Subject
from tests.causes.live import Connection, first, judged
from tests.faults.runner import capture

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


@pytest.mark.parametrize(
    "query",
    [
        f"with w as ({COUNTS}) select * from w where n = 4 for update",
        "with recursive w as (select 1 as n union all select n + 1 from w where n < 5) select * from w where n = 4",
        f"with a as (select * from w), w as ({COUNTS}) select * from w where n = 4",
        "with a as (select * from stays), w as (select hut, count(*) as n from a group by hut) select * from w",
        "with gone as (delete from stays returning hut), w as (select 1 as n) select * from w, gone",
        "with w(hut, n) as (select hut, count(*) from stays group by hut) select * from w where n = 4",
        "select * from huts h, lateral (select count(*) as n from stays s where s.hut = h.hut) w where n = 4",
        "select 4 as n",
        "not a query",
    ],
)
def test_no_other_shape_is_taken_apart(huts: Connection, query: str) -> None:
    """What is locked, recursive, reads another WITH query, writes, or hangs on a row beside it stays one statement."""
    taken = capture(huts, "select 1").model_copy(update={"query": query})

    assert kept_result(Subject(alias="w", curable=False), taken) == ()
