"""Estimates by a coarse rule are named as such, and what is said to help does: the live server's estimate judges."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import psycopg
import pytest

from rowreckon.server.lists.querylist import split_named
from tests.faults.runner import flush_counters

from .live import Connection, first, judged

SETUP = """
create table stays(stay int primary key, hut int, doc jsonb);
insert into stays select i, i % 40,
  jsonb_build_object('nr', i, 'kind', case when i % 10 < 7 then 'group' else 'pair' end)
  from generate_series(1, 20000) i;
create table trips(trip int primary key, stay int, next int, hut int);
insert into trips select i, i, i / 2, i % 40 from generate_series(1, 20000) i;
alter table stays alter column doc set statistics 1;
analyze;
"""


@dataclass(frozen=True)
class Case:
    """A query, what is said of its estimate, and statements after which `better` is estimated within threefold."""

    query: str
    said: str
    helps: tuple[str, ...]
    better: str


CASES = {
    "cte": Case(
        "with perhut as materialized (select stay, count(*) as n from stays group by stay)"
        " select * from perhut where n is not distinct from 1",
        "WITH query",
        ("create temp table perhut as select stay, count(*) as n from stays group by stay", "analyze perhut"),
        "select * from perhut where n is not distinct from 1",
    ),
    "subquery": Case(
        "select * from (select stay, count(*) as n from stays group by stay offset 0) perhut"
        " where n is not distinct from 1",
        "a subquery computes",
        ("create temp table perhut as select stay, count(*) as n from stays group by stay", "analyze perhut"),
        "select * from perhut where n is not distinct from 1",
    ),
    "function": Case(
        "select * from generate_series(1, 10000) as nights(i) where i % 2 = 0",
        "rows of a function",
        ("create temp table nights as select i from generate_series(1, 10000) i where i % 2 = 0", "analyze nights"),
        "select * from nights",
    ),
    "value known late": Case(
        "select * from stays where stay < (select 1990 - 1970)",
        "known only at run time",
        (),
        "select * from stays where stay < 20",
    ),
    "subplan": Case(
        "select * from trips where next = -1 or stay in (select s.stay from stays s where s.stay < 20)",
        "a test against a subplan",
        (),
        "select * from trips t join stays s on s.stay = t.stay where s.stay < 20",
    ),
    "two columns": Case(
        "select * from trips where trip <= hut",
        "two columns of a row",
        ("create statistics trips_low on ((trip <= hut)) from trips", "analyze trips"),
        "select * from trips where (trip <= hut) is true",
    ),
    "containment": Case(
        """select * from stays where doc @> '{"kind": "group"}'""",
        "containment",
        ("create statistics stays_kind on (doc ->> 'kind') from stays", "analyze stays"),
        "select * from stays where doc ->> 'kind' = 'group'",
    ),
}


@pytest.fixture(scope="module")
def huts(database: str) -> Iterator[Connection]:
    """Stays with documents and notes, all different."""
    with psycopg.connect(database, autocommit=True) as connection:
        for _, statement in split_named(SETUP):
            if statement.startswith("analyze"):
                flush_counters(connection)
            connection.execute(statement.encode())
        connection.execute("set max_parallel_workers_per_gather = 0")
        yield connection


@pytest.mark.parametrize("name", list(CASES))
def test_the_rule_is_named_and_what_helps_does(huts: Connection, name: str) -> None:
    """No cause is guessed; the statement that is advised in the query's place is estimated as it comes."""
    case = CASES[name]
    audit = judged(huts, case.query)
    for statement in case.helps:
        huts.execute(statement.encode())
    try:
        mended = judged(huts, case.better).reckoned.counts[0]
    finally:
        huts.execute("drop table if exists pg_temp.perhut, pg_temp.nights")

    assert first(audit).code == "unexplained"
    assert case.said in first(audit).finding.summary
    assert " helps" in first(audit).finding.summary
    assert mended.estimate is not None
    assert mended.actual is not None
    assert mended.actual / 3 <= mended.estimate <= mended.actual * 3


def test_alternatives_of_two_tables_have_no_statistics(huts: Connection) -> None:
    """The server's estimate stays where it was with statistics of the columns together on either table."""
    query = (
        "select * from stays s join trips t on t.stay = s.stay"
        " where (s.hut = 3 and t.hut = 3) or (s.hut = 4 and t.hut = 4)"
    )
    audit = judged(huts, query)
    before = audit.reckoned.counts[0].estimate
    for table in ("stays", "trips"):
        huts.execute(f"create statistics {table}_together on stay, hut from {table}".encode())
        huts.execute(f"analyze {table}".encode())

    assert "alternatives over several tables" in first(audit).finding.summary
    assert judged(huts, query).reckoned.counts[0].estimate == pytest.approx(before, rel=0.3)


@pytest.mark.parametrize(
    ("clause", "share"),
    [
        ("int4range(s.stay, s.stay + 1) && int4range(t.trip + 30000, t.trip + 30001)", 0.005),
        ("s.stay - 30000 > t.trip", 1 / 3),
    ],
    ids=["overlap", "inequality"],
)
def test_a_comparison_between_tables_keeps_a_fixed_share(huts: Connection, clause: str, share: float) -> None:
    """The server's own estimate: that share of the pairs that the equality finds, where none comes."""
    query = f"select * from stays s join trips t on t.hut = s.hut and {clause} where s.stay <= 400"
    audit = judged(huts, query)
    without = judged(huts, "select * from stays s join trips t on t.hut = s.hut where s.stay <= 400")

    join, plain = (a.reckoned.counts[a.reckoned.tree.joins()[0]].estimate or 0 for a in (audit, without))
    assert join == pytest.approx(share * plain, rel=0.02)
    assert "a fixed share of the pairs" in first(audit).finding.summary


def test_a_recursion_is_ten_times_its_start(huts: Connection) -> None:
    """PostgreSQL documentation, recursive_worktable_factor: the server's own estimate of the rows that it works on."""
    query = (
        "with recursive way as (select trip from trips where trip <= 100 union all select t.trip + 100 from way w"
        " join trips t on t.trip = w.trip where w.trip < 150) select * from way"
    )
    audit = judged(huts, query, threshold=3)
    tree = audit.reckoned.tree
    union = next(number for number, node in enumerate(tree.nodes) if node.node_type == "Recursive Union")
    start = tree.nodes[tree.inputs(union)[0]]
    work = next(node for node in tree.nodes if node.node_type == "WorkTable Scan")

    assert work.plan_rows == pytest.approx(10 * (start.plan_rows or 0) / 3, rel=0.05)  # a third passes its filter
    assert "ten times those of its start" in " ".join(f.finding.summary for f in audit.findings)


def test_an_estimate_from_statistics_has_no_rule(huts: Connection) -> None:
    """A plain filter on a column is no coarse rule."""
    assert judged(huts, "select * from stays where hut = 3").findings == ()
