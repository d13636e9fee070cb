"""Shares of rows that find a partner, and filters on what a query computes: named, and what is said to help does.

The live server judges: its own estimates, before and after what is advised, against the rows that come.
"""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.causes.registry import BY_CODE
from rowreckon.proposals import PlanAudit
from rowreckon.server.lists.querylist import split_named
from tests.faults.runner import flush_counters

from .live import Connection, codes, first, judged, value

SETUP = """
create table stays(stay int primary key, guest int, hut int);
insert into stays select i, i % 3000, i % 1000 from generate_series(1, 20000) i;
create table ratings(stay int, part int, stars int, primary key (stay, part));
insert into ratings select i * 2, p, 3 from generate_series(1, 30000) i, generate_series(1, 2) p;
create table plans(guest int, hut int);
insert into plans select i, (i + 1) % 1000 from generate_series(0, 2999) i, generate_series(1, 5);
create table nights(night int, guest int, week int);
insert into nights select i, i % 3000, i % 3000 / 20 from generate_series(1, 30000) i;
create index on nights(guest);
create table hosts(guest int);
insert into hosts select i from generate_series(0, 199) i;
create table visits(visit int, hut int);
insert into visits select i, case when i % 10 > 0 then i % 300 else 300 + i / 10 % 700 end
  from generate_series(1, 20000) i;
create table closed(hut int, month int);
insert into closed select i % 300, i / 300 from generate_series(0, 2999) i;
analyze;
"""
UNRATED = {
    "not exists": "select * from stays s where not exists (select from ratings r where r.stay = s.stay)",
    "left join, is null": "select s.* from stays s left join ratings r on r.stay = s.stay where r.stay is null",
}
LATEST = "select *, rank() over (partition by week order by night desc) as nth from nights"
PER_GUEST = "select guest, count(*) as n from stays group by guest"


@pytest.fixture(scope="module")
def huts(database: str) -> Iterator[Connection]:
    """Stays of which half are rated, and huts of which the visited ones were closed more often."""
    with psycopg.connect(database, autocommit=True) as connection:
        for _, statement in split_named(SETUP):
            if statement.startswith("analyze"):
                flush_counters(connection)
            connection.execute(statement.encode())
        connection.execute("set max_parallel_workers_per_gather = 0")
        yield connection


def apart(audit: PlanAudit) -> float:
    """The factor between the rows that the server expected of the whole query and those that came."""
    count = audit.reckoned.counts[0]
    low, high = sorted((max(count.estimate or 0.0, 1.0), max(count.actual or 0.0, 1.0)))
    return high / low


@pytest.mark.parametrize("query", UNRATED.values(), ids=UNRATED)
def test_an_anti_join_takes_all_rows_to_have_a_partner(huts: Connection, query: str) -> None:
    """Its share is told as the server's own count has it; the longest lists leave the server's estimate as it is."""
    audit = judged(huts, query)
    found = first(audit)
    rated = value(huts, "select avg((exists (select from ratings r where r.stay = s.stay))::int) from stays s")
    with huts.transaction(force_rollback=True):
        for table in ("stays", "ratings"):
            huts.execute(f"alter table {table} alter stay set statistics 10000".encode())
            huts.execute(f"analyze {table}".encode())
        still = apart(judged(huts, query))
    with huts.transaction(force_rollback=True):
        huts.execute(f"create temporary table unrated as {query}".encode())
        huts.execute("analyze unrated")
        follows = apart(judged(huts, "select * from unrated u join stays s on s.stay = u.stay"))

    assert codes(audit)[0] == "join_partner_share"
    assert found.finding.confidence >= 0.9
    assert f"100% of the rows to have a partner, {100 * float(rated):.3g}% have one" in found.finding.summary
    assert not found.subject.curable
    assert still == pytest.approx(apart(audit), rel=0.01)
    assert follows < 1.1


def test_lists_that_hold_the_keys_of_both_sides_are_compared(huts: Connection) -> None:
    """Keys that repeat on both sides, fewer on the other: the remedy's lists mend the server's estimate."""
    query = "select * from visits v where not exists (select from closed c where c.hut = v.hut)"
    audit = judged(huts, query, threshold=4)
    found = first(audit)
    (draft,) = BY_CODE[found.code].remedy(found.subject, audit.capture)
    with huts.transaction(force_rollback=True):
        for statement in draft.sql:
            huts.execute(statement.encode())
        mended = apart(judged(huts, query))

    assert found.code == "join_partner_share"
    assert apart(audit) > 4
    assert mended < 1.2


def test_pairs_of_listed_keys_bound_the_share(huts: Connection) -> None:
    """Where the other side has as many keys, all rows are taken to have a partner, yet no more than there are pairs."""
    query = "select * from moved m where not exists (select from visits v where v.hut = m.hut)"
    with huts.transaction(force_rollback=True):
        huts.execute("create table moved as select hut + 900 as hut from closed")
        huts.execute("analyze moved")
        audit = judged(huts, query)
        found = first(audit)
        (draft,) = BY_CODE[found.code].remedy(found.subject, audit.capture)
        for statement in draft.sql:
            huts.execute(statement.encode())
        mended = apart(judged(huts, query))

    assert found.code == "join_partner_share"
    assert apart(audit) > 1000
    assert mended < 3


@pytest.mark.parametrize(
    ("query", "result"),
    [
        (f"{PER_GUEST} having count(*) > 20", f"{PER_GUEST} having count(*) > 20"),
        (f"with w as materialized ({PER_GUEST}) select * from w where n = 7", f"select * from ({PER_GUEST}) w"),
        (f"select * from ({PER_GUEST} offset 0) w where n > 3 and n < 9", f"select * from ({PER_GUEST}) w"),
        (
            "select * from (select *, lag(hut) over (order by stay) as before from stays) w where before < 3",
            "select *, lag(hut) over (order by stay) as before from stays",
        ),
        (f"select * from ({LATEST}) w where nth <= 2", LATEST),
        (f"select * from ({LATEST}) w where nth <= 2 and nth <> 7", LATEST),
    ],
    ids=["having", "with query", "subquery", "window", "window that stops", "window that stops, filtered too"],
)
def test_a_filter_on_what_is_computed_keeps_a_default_share(huts: Connection, query: str, result: str) -> None:
    """ANALYZE leaves the server's estimate as it is; the result in an analyzed temporary table mends it."""
    audit = judged(huts, query)
    found = first(audit)
    huts.execute("analyze")
    still = apart(judged(huts, query))
    kept = query.rpartition(" where ")[2] if " where " in query else "true"
    with huts.transaction(force_rollback=True):
        huts.execute(f"create temporary table result as {result}".encode())
        huts.execute("analyze result")
        mended = apart(judged(huts, f"select * from result where {kept}"))

    assert found.code == "computed_result_filter"
    assert found.finding.confidence >= 0.9
    assert "temporary table that holds the result help" in found.finding.summary
    assert still > 2
    assert mended < 1.5


def test_groups_that_are_many_more_are_another_matter(huts: Connection) -> None:
    """HAVING passes as many as expected: the number of groups is what the server has wrong."""
    audit = judged(huts, "select guest + hut as both, count(*) from stays group by 1 having count(*) <> 77")

    assert "computed_result_filter" not in codes(audit)


def test_values_among_rows_that_a_filter_keeps(huts: Connection) -> None:
    """Guests go with weeks: no number of distinct values is wrong, and the rows in a table of their own mend it."""
    rows = "select guest from nights where week = 7"
    audit = judged(huts, f"{rows} group by guest", threshold=5)
    with huts.transaction(force_rollback=True):
        huts.execute(f"create temporary table of_week as {rows}".encode())
        huts.execute("analyze of_week")
        mended = apart(judged(huts, "select guest from of_week group by guest"))

    assert codes(audit) == ["unexplained"]
    assert "as if the rows had been drawn at random" in first(audit).finding.summary
    assert apart(audit) > 5
    assert mended < 1.2


def test_null_of_a_column_that_the_join_does_not_compare(huts: Connection) -> None:
    """Two other ways to ask for the rows without a partner are estimated as they come."""
    join = "select s.* from stays s left join closed c on c.hut = s.hut where"
    audit = judged(huts, f"{join} c.month is null")
    by_key = judged(huts, f"{join} c.hut is null")
    exists = judged(huts, "select * from stays s where not exists (select from closed c where c.hut = s.hut)")

    assert "the rows without a partner" in first(audit).finding.summary
    assert apart(audit) > 100
    assert by_key.reckoned.counts[0].actual == exists.reckoned.counts[0].actual == audit.reckoned.counts[0].actual
    assert max(apart(by_key), apart(exists)) < 1.2


def test_columns_of_a_join_that_exclude_each_other(huts: Connection) -> None:
    """Fewer match on both than the product says: no guest stays where he planned to, by the server's own answer."""
    query = "select * from stays s join plans p on p.guest = s.guest and p.hut = s.hut"
    audit = judged(huts, query)

    assert first(audit).code == "multi_column_join_key"
    assert not first(audit).subject.curable
    assert apart(audit) >= 10


def test_an_error_beside_a_side_left_unread_is_the_joins_own(huts: Connection) -> None:
    """The merge join need not look whether more hosts follow; the rows expected and come are the server's own."""
    query = (
        "select n.* from nights n join hosts h on h.guest = n.guest where n.week < 10"
        " and n.night = (select max(m.night) from nights m where m.guest = h.guest)"
    )
    with huts.transaction(force_rollback=True):
        huts.execute("set local enable_hashjoin = off")
        huts.execute("set local enable_nestloop = off")
        audit = judged(huts, query)

    assert [join.method for join in audit.joins] == ["merge"]
    assert "a test against a subplan" in first(audit).finding.summary
    assert first(audit).finding.node == audit.joins[0].node
    assert apart(audit) > 100


def test_a_question_whether_there_is_a_partner_is_kept_with_its_answer(huts: Connection) -> None:
    """The anti join's rows go into a temporary table; the same rows come, and the second step expects them."""
    query = (
        "select s.stay, p.hut from stays s join plans p on p.guest = s.guest"
        " where not exists (select from ratings r where r.stay = s.stay)"
    )
    audit = judged(huts, query)
    found = next(f for f in audit.findings if f.code == "join_partner_share")
    (draft,) = BY_CODE[found.code].remedy(found.subject, audit.capture)
    with huts.transaction(force_rollback=True):
        rows = sorted(huts.execute(query.encode()).fetchall())
        for statement in draft.sql_trial[:-1]:
            huts.execute(statement.encode())
        again = sorted(huts.execute(draft.sql_trial[-1].encode()).fetchall())
        second = judged(huts, draft.sql_trial[-1])

    assert "WHERE NOT EXISTS" in draft.sql_trial[0]
    assert again == rows
    assert apart(audit) > 100
    assert apart(second) < 2


def test_whole_tables_that_share_few_keys_have_no_filter_to_go_together_with(huts: Connection) -> None:
    """Without a filter on either table it is the share of rows with a partner, and nothing else."""
    with huts.transaction(force_rollback=True):
        huts.execute("create table north(plate int primary key); create table south(plate int primary key)")
        huts.execute("insert into north select generate_series(1, 20000)")
        huts.execute("insert into south select generate_series(19901, 39900)")
        huts.execute("analyze north, south; set local enable_mergejoin = off")
        audit = judged(huts, "select count(*) from north n join south s on s.plate = n.plate")

    assert codes(audit) == ["join_partner_share"]
    assert first(audit).finding.confidence >= 0.9


def test_keys_of_a_recursions_step_are_no_matter_of_lists(huts: Connection) -> None:
    """A step's rows have no statistics to compare with; that they are taken for ten times the start comes first."""
    with huts.transaction(force_rollback=True):
        huts.execute("create table paths(path int, after int)")
        huts.execute("insert into paths select i, i / 20 from generate_series(1, 20000) i")
        huts.execute("create index on paths(after); analyze paths")
        audit = judged(
            huts,
            "with recursive way as (select path from paths where path = 1"
            " union all select p.path from paths p join way w on p.after = w.path) select count(*) from way",
        )

    assert "join_key_skew" not in codes(audit)
    assert "ten times those of its start" in first(audit).finding.summary


def test_a_merge_join_that_goes_back_over_equal_keys_is_where_the_error_enters(huts: Connection) -> None:
    """Both sides were sorted whole, so that what the merge re-read and left unread counts once."""
    with huts.transaction(force_rollback=True):
        for table in ("bought", "sewn"):
            huts.execute(f"create table {table}(fabric text not null)".encode())
            huts.execute(
                f"insert into {table} select case when i <= 3000 then '{table} ' || i % 20 when i <= 6000"
                f" then 'both ' || i % 30 else 'z{table} ' || i end from generate_series(1, 16000) i".encode()
            )
            huts.execute(f"alter table {table} alter fabric set statistics 20".encode())
            huts.execute(f"analyze {table}".encode())
        huts.execute("set local enable_hashjoin = off; set local enable_nestloop = off")
        audit = judged(huts, "select count(*) from bought b join sewn s on s.fabric = b.fabric", threshold=3)

    assert [join.method for join in audit.joins] == ["merge"]
    assert first(audit).finding.node == audit.joins[0].node
    assert first(audit).code == "join_key_skew"
