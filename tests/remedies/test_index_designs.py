"""Indexes by design: the planner takes them, reads less, and prices the join as the model said beforehand."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import psycopg
import pytest

from rowreckon.causes.index_designs import IndexDesign, best_design
from rowreckon.causes.index_prices import IndexPrices, SidePrices
from rowreckon.document.audit import Remedy
from rowreckon.proposals import PlanAudit, propose
from tests.causes.live import Connection, evenly_timed, judged, value

from .objects import objects_of

SETUP = (
    "create table guests(id int primary key, city text, pad text)",
    "insert into guests select i, 'city ' || i % 40, repeat('g', 40) from generate_series(1, 4000) i",
    "create table stays(id int, guest_id int, month int, day int, nights int, settled boolean, pad text)",
    # A guest's 75 stays lie on 75 pages, far from each other.
    "insert into stays select i, i % 4000 + 1, i / 4000 % 12 + 1, i / 48000 % 6 + 1, i % 7, i % 67 <> 0, "
    "repeat('s', 60) from generate_series(1, 300000) i",
    "create index stays_guest on stays(guest_id)",
    'create schema "Flight Desk"',
    'create table "Flight Desk"."Loads"("Guest" int, "Lost On" date, kind text, weight int, pad text)',
    'insert into "Flight Desk"."Loads" select i % 4000 + 1, case when i % 101 = 0 then date \'2025-03-01\' end, '
    "'kind ' || i % 3, i % 50, repeat('l', 80) from generate_series(1, 300000) i",
    'create index on "Flight Desk"."Loads"("Guest")',
    "create table shifts(id int, guest_id int, begun timestamp, pad text)",
    "insert into shifts select i, i % 4000 + 1, timestamp '2025-01-01' + i * interval '1 minute', repeat('w', 80) "
    "from generate_series(1, 300000) i",
    "create index on shifts(guest_id)",
    "vacuum analyze",
)
WIDER = (
    "select count(*), sum(s.nights), max(s.pad) from guests g join stays s on s.guest_id = g.id "
    "where g.city = 'city 7' and s.month = 7 and s.day = 5"
)
COVERED = (
    "select sum(s.nights) from guests g join stays s on s.guest_id = g.id where g.city = 'city 7' and g.id % 7 >= 0"
)
PARTIAL = (
    'select count(*), max(l.pad) from guests g join "Flight Desk"."Loads" l on l."Guest" = g.id '
    "where g.city = 'city 7' and l.\"Lost On\" is not null and l.kind <> 'kind 1'"
)
RANGE = (
    "select count(*), max(s.pad) from guests g join shifts s on s.guest_id = g.id "
    "where g.city = 'city 7' and s.begun >= '2025-07-20'"
)


@pytest.fixture(scope="module")
def huts(database: str) -> Iterator[Connection]:
    """Tables with an index on the join key alone, vacuumed."""
    with psycopg.connect(database, autocommit=True) as connection:
        for statement in SETUP:
            connection.execute(statement.encode())
        connection.execute("set max_parallel_workers_per_gather = 0")
        yield connection


def index_remedy(audit: PlanAudit) -> Remedy | None:
    """The first index proposed for the tables that the guests are joined with."""
    indexes = [r for r in propose([evenly_timed(audit)]) if r.kind == "new_index"]
    return next((r for r in indexes if "public.guests" not in r.tables), None)


def plan_of(connection: Connection, query: str) -> dict[str, Any]:
    """The executed plan with its page counts, once its pages are in memory."""
    connection.execute(query.encode()).fetchall()
    document = value(connection, f"explain (analyze, buffers, format json) {query}")
    return dict(document[0]["Plan"])


def pages_of(plan: dict[str, Any]) -> int:
    """Pages that the whole statement touched."""
    return int(plan["Shared Hit Blocks"]) + int(plan["Shared Read Blocks"])


def all_nodes(plan: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """A plan's nodes."""
    yield plan
    for below in plan.get("Plans", ()):
        yield from all_nodes(below)


@pytest.mark.parametrize(
    ("query", "columns", "written", "fewer_pages"),
    [
        (WIDER, ("guest_id", "month", "day"), "(guest_id, month, day)", 5),
        (COVERED, ("guest_id", "nights"), "(guest_id) INCLUDE (nights)", 5),
        (PARTIAL, ("Guest",), '("Guest") WHERE ', 5),
        (RANGE, ("guest_id", "begun"), "(guest_id, begun)", 2),
    ],
    ids=["equalities after the key", "included column", "partial", "range last"],
)
def test_planner_takes_it_and_reads_less(
    huts: Connection, query: str, columns: tuple[str, ...], written: str, fewer_pages: float
) -> None:
    """The statement runs; the new plan reads by the new index, costs less and touches a fraction of the pages; the
    rows stay the same; the undo brings the objects back."""
    audit = judged(huts, query)
    finding = next(f for f in audit.findings if f.code == "missing_join_index")
    remedy = index_remedy(audit)
    assert remedy is not None
    assert remedy.columns == columns
    assert written in remedy.sql[0]
    before, objects, rows = plan_of(huts, query), objects_of(huts), huts.execute(query.encode()).fetchall()
    for statement in remedy.sql:
        huts.execute(statement.encode())
    name = remedy.sql[0].split()[3].strip('"')
    after = plan_of(huts, query)
    assert huts.execute(query.encode()).fetchall() == rows
    assert name in {n.get("Index Name") for n in all_nodes(after)}
    assert after["Total Cost"] < before["Total Cost"]
    assert pages_of(after) * fewer_pages < pages_of(before)
    assert finding.subject.pages == pytest.approx(
        value(huts, f"select relpages from pg_class where relname = '{name}'"), rel=0.35
    )
    for statement in remedy.undo or ():
        huts.execute(statement.encode())
    assert objects_of(huts) == objects


def design_for(audit: PlanAudit, table: str) -> IndexDesign:
    """The design for one of the join's tables."""
    sides: tuple[SidePrices, ...] = IndexPrices(audit.capture, audit.reckoned).sides(audit.joins[0])
    design = best_design(next(s for s in sides if s.relation.relation.name == table), parameters=False)
    assert design is not None
    return design


@pytest.mark.parametrize(
    ("query", "table"),
    [(WIDER, "stays"), (COVERED, "stays"), (RANGE, "shifts"), (PARTIAL, "Loads")],
    ids=["wider", "included", "range", "partial"],
)
def test_price_at_the_estimate_is_the_servers(huts: Connection, query: str, table: str) -> None:
    """The modelled cost of the join with the index, at the planner's estimates, is what the server prints once the
    index is there: within 5%, since the model does not know how full the real index's pages will be."""
    audit = judged(huts, query)
    design = design_for(audit, table)
    remedy = index_remedy(audit)
    assert remedy is not None
    for statement in remedy.sql_trial:
        huts.execute(statement.encode())
    plan = plan_of(huts, query)
    for statement in remedy.undo or ():
        huts.execute(statement.encode())
    join = next(n for n in all_nodes(plan) if n["Node Type"] == "Nested Loop")
    assert join["Total Cost"] == pytest.approx(design.cost_at_estimate, rel=0.05)


def test_a_filter_that_keeps_half_gets_no_column(huts: Connection) -> None:
    """A condition that most rows satisfy narrows nothing: no index is proposed beside the one on the key."""
    query = (
        "select count(*), max(s.pad) from guests g join stays s on s.guest_id = g.id "
        "where g.city = 'city 7' and s.settled and s.nights >= 1"
    )
    assert index_remedy(judged(huts, query)) is None


def test_nothing_is_included_where_pages_are_not_all_visible(huts: Connection) -> None:
    """Without VACUUM's mark an index-only scan visits the table all the same: the model sees no gain."""
    huts.execute("begin")
    huts.execute("create table kept as select * from stays")
    huts.execute("create index on kept(guest_id)")
    huts.execute("analyze kept")
    audit = judged(huts, COVERED.replace("stays s", "kept s"))
    huts.execute("rollback")
    assert value(huts, "select relallvisible > 0 from pg_class where relname = 'stays'")
    assert index_remedy(audit) is None


def test_nobody_is_told_to_index_what_returns_most_of_a_table(huts: Connection) -> None:
    """A join that needs most of the guests' stays is served best by reading the table once."""
    query = "select count(*), max(s.pad) from guests g join stays s on s.guest_id = g.id where s.month <= 7"
    assert index_remedy(judged(huts, query)) is None


def test_size_writes_and_the_old_index_are_cautioned(huts: Connection) -> None:
    """Who builds a second index on a key learns its size, what it does to updates, and which old one it covers."""
    remedy = index_remedy(judged(huts, WIDER))
    assert remedy is not None
    text = " ".join(remedy.cautions)
    assert "its size is modelled as" in text
    assert "HOT update" in text
    assert "stays_guest" in text


def test_what_the_filter_discards_is_the_evidence(huts: Connection) -> None:
    """Where a loop over the old index ran, its discarded rows are told as the plan counted them."""
    audit = judged(huts, WIDER.replace("g.city = 'city 7'", "g.id between 10 and 19"))
    node = next(n for n in audit.reckoned.tree.nodes if n.rows_removed_by_filter and n.loops > 1)
    finding = next(f for f in audit.findings if f.code == "missing_join_index").finding
    assert "its filter discards" in finding.summary
    told = {e.fact: e.value for e in finding.evidence}
    assert told["rows discarded by the filter after that, per loop"] == node.rows_removed_by_filter


def test_a_parameters_value_makes_no_index_partial(huts: Connection) -> None:
    """A generic plan's condition holds for the next value as well: no predicate is made of it."""
    huts.execute("set plan_cache_mode = force_generic_plan")
    huts.execute(
        'prepare lost(text) as select count(*), max(l.pad) from guests g join "Flight Desk"."Loads" l '
        'on l."Guest" = g.id where g.city = \'city 7\' and l.kind <> $1 and l."Lost On" is not null'
    )
    audit = judged(huts, "execute lost('kind 1')")
    huts.execute("reset plan_cache_mode")
    remedy = index_remedy(audit)
    assert remedy is None or " WHERE " not in remedy.sql[0]


def test_one_index_for_two_queries(huts: Connection) -> None:
    """An index that begins with another's columns serves both queries: one remedy, for both findings."""
    whole_month = replace(judged(huts, WIDER.replace(" and s.day = 5", "")), index=1)
    (alone,) = [r for r in propose([evenly_timed(whole_month)]) if r.kind == "new_index"]
    assert alone.columns == ("guest_id", "month")
    both = [r for r in propose([evenly_timed(judged(huts, WIDER)), evenly_timed(whole_month)]) if r.kind == "new_index"]
    assert [r.columns for r in both] == [("guest_id", "month", "day")]
    assert {f.plan for f in both[0].findings} == {0, 1}
