"""Each cause where it must not fire, and where the evidence decides nothing; tests/faults holds where it must."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.proposals import propose
from rowreckon.server.lists.querylist import split_named

from .live import Connection, codes, first, judged

SETUP = """
create table guests(id int primary key, city text, pad text);
insert into guests select i, 'city ' || i % 50, repeat('g', 30) from generate_series(1, 20000) i;
create table bookings(id int, guest_id int, status varchar(10), "Made On" date, price int, tags text[]);
insert into bookings select i, i % 20000 + 1, case when i % 4 = 0 then 'open' else 'done' end,
  date '2025-01-01' + i % 300, i % 977, array['a', 'b'] from generate_series(1, 40000) i;
create function nights(n int) returns setof int language plpgsql rows 40
  as $$ begin return query select i from generate_series(1, n) i; end $$;
vacuum analyze;
"""


@pytest.fixture(scope="module")
def huts(database: str) -> Iterator[Connection]:
    """Well-kept tables: everything analyzed, nothing correlated."""
    with psycopg.connect(database, autocommit=True) as connection:
        for _, statement in split_named(SETUP):
            connection.execute(statement.encode())
            connection.execute("select pg_stat_force_next_flush()")
        connection.execute("analyze")
        connection.execute("set max_parallel_workers_per_gather = 0")
        yield connection


@pytest.mark.parametrize(
    "where",
    [
        "status = 'open'",
        "status = 'open' and price < 100",
        "\"Made On\" >= date '2025-10-01'",
        "status = 'open' and \"Made On\" = date '2025-01-05'",
        "tags @> array['a']",
        "status in ('open', 'done')",
        "status is not null",
    ],
)
@pytest.mark.parametrize("catalog", [False, True], ids=["plan", "catalog"])
def test_right_estimates_have_no_cause(huts: Connection, where: str, catalog: bool) -> None:
    """A restriction that the planner estimates within the threshold has no finding."""
    assert judged(huts, f"select * from bookings where {where}", catalog=catalog).findings == ()


def test_a_cast_from_varchar_is_no_expression(huts: Connection) -> None:
    """EXPLAIN prints status::text for a varchar column: the planner looks through it, and so do we."""
    huts.execute("create table copied as select * from bookings")
    huts.execute("analyze copied")
    huts.execute("update copied set status = 'gone' where id <= 30000")
    huts.execute("select pg_stat_force_next_flush()")
    found = judged(huts, "select * from copied where status = 'gone'")
    huts.execute("drop table copied")
    assert "expression_without_statistics" not in codes(found)
    assert "stale_statistics" in codes(found)


@pytest.mark.parametrize(
    ("made", "computes"), [("domain {} as text", False), ("type {} as enum ('box', 'hall')", True)]
)
def test_a_domain_is_looked_through_and_an_enum_is_not(huts: Connection, made: str, computes: bool) -> None:
    """Statistics of the cast change the server's estimate of an enum's label only: of a domain it has the column's."""
    query = "select * from seats where class::text = 'box' and price::int = 7"
    with huts.transaction(force_rollback=True):
        huts.execute(f"create {made.format('seat_class')}".encode())
        huts.execute("create table seats(class seat_class, price int)")
        huts.execute("insert into seats select 'box', 7 from generate_series(1, 300)")
        huts.execute("insert into seats select 'hall', i % 50 + 8 from generate_series(1, 20000) i")
        huts.execute("analyze seats")
        found, before = judged(huts, query), judged(huts, "select * from seats where class::text = 'box'")
        huts.execute("create statistics seats_class on (class::text) from seats; analyze seats")
        after = judged(huts, "select * from seats where class::text = 'box'")

    moved = after.reckoned.counts[0].estimate != before.reckoned.counts[0].estimate
    assert moved is computes
    assert any("::text" in e for f in found.findings for e in f.subject.expressions) is computes


def test_a_declared_function_is_believed(huts: Connection) -> None:
    """ROWS 40 and 40 rows: nothing to find; the same function with 4,000 rows is the default's fault."""
    assert judged(huts, "select * from nights(40)").findings == ()
    wrong = judged(huts, "select * from nights(4000)")
    assert first(wrong).code == "function_row_default"


def test_a_builtin_function_is_not_altered(huts: Connection) -> None:
    """jsonb_array_elements returns 100 rows by declaration of the system: no remedy touches the system's functions."""
    audit = judged(
        huts,
        "select count(*), max(g.pad) "
        "from jsonb_array_elements((select jsonb_agg(i) from generate_series(1, 9000) i)) e "
        "join guests g on g.id = e::int",
    )
    assert "function_row_default" in codes(audit)
    assert not any("ALTER FUNCTION" in s for r in propose([audit]) for s in r.sql)


def test_expression_with_statistics_is_no_cause(huts: Connection) -> None:
    """With an expression index analyzed, lower(city) is estimated as a column is."""
    query = "select * from guests where lower(city) = 'city 7'"
    assert judged(huts, query, threshold=3).findings[0].code == "expression_without_statistics"
    huts.execute("create index guests_lower on guests(lower(city))")
    huts.execute("analyze guests")
    try:
        assert judged(huts, query, threshold=3).findings == ()
    finally:
        huts.execute("drop index guests_lower")


def test_a_custom_plan_is_no_generic_one(huts: Connection) -> None:
    """A prepared statement planned with its value shows the value: no generic plan."""
    huts.execute("prepare one(text) as select * from bookings where status = $1")
    huts.execute("set plan_cache_mode = force_custom_plan")
    assert judged(huts, "execute one('open')").findings == ()
    huts.execute("set plan_cache_mode = force_generic_plan")
    found = judged(huts, "execute one('none such')", threshold=3)
    huts.execute("reset plan_cache_mode")
    assert codes(found) == ["generic_plan"]


def test_an_init_plans_result_is_no_parameter(huts: Connection) -> None:
    """Up to 16 an InitPlan's result is printed as $0, from 17 as (InitPlan 1).col1: neither is a generic plan's."""
    audit = judged(huts, "select * from bookings where price > (select max(price) - 1 from bookings)")
    assert "generic_plan" not in codes(audit)
    assert codes(audit)[0] == "unexplained"


def test_undecided_from_the_plan_alone(huts: Connection) -> None:
    """A rare single value found by an index: old statistics or a short list, and the plan says neither."""
    huts.execute("begin")
    try:
        huts.execute("create index on bookings(price)")
        huts.execute("update bookings set price = 5000 where id % 50 = 0")
        audit = judged(huts, "select * from bookings where price = 5000", catalog=False)
    finally:
        huts.execute("rollback")
    assert first(audit).code == "unexplained"
    assert all(f.finding.confidence <= 0.5 for f in audit.findings)


def test_hidden_statistics_prove_nothing(huts: Connection) -> None:
    """A role that may not see pg_stats rows is never told that the table was never analyzed."""
    huts.execute(
        "do $$ begin if not exists (select from pg_roles where rolname = 'rr_clerk') "
        "then create role rr_clerk; end if; end $$"
    )
    huts.execute("grant usage on schema public to rr_clerk")
    huts.execute("grant select on bookings, guests to rr_clerk")
    huts.execute("alter table bookings enable row level security")
    huts.execute("create policy everything on bookings using (price >= 0)")
    try:
        huts.execute("set role rr_clerk")
        audit = judged(huts, "select * from bookings where status::text ~ 'pen|one'", threshold=2)
    finally:
        huts.execute("reset role")
        huts.execute("drop policy everything on bookings")
        huts.execute("alter table bookings disable row level security")
    assert "never_analyzed" not in codes(audit)
    assert "stale_statistics" not in codes(audit)
    assert codes(audit)[0] == "statistics_not_usable"


def test_rivals_share_one_unit_of_belief(huts: Connection) -> None:
    """Confidences at one node add up to at most 1."""
    huts.execute("begin")
    try:
        huts.execute("update bookings set status = 'gone', price = 1 where id <= 30000")
        audit = judged(huts, "select * from bookings where status = 'gone' and price = 1", catalog=False)
    finally:
        huts.execute("rollback")
    by_node: dict[int | None, float] = {}
    for f in audit.findings:
        by_node[f.finding.node] = by_node.get(f.finding.node, 0.0) + f.finding.confidence
    assert audit.findings
    assert all(total <= 1.005 for total in by_node.values())
