"""The remedies' SQL as printed for the ticket, executed: checks first, the change, its undo."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest

from rowreckon.catalog.facts import Catalog
from rowreckon.causes import Subject, TableName
from rowreckon.causes.registry import BY_CODE
from rowreckon.document.audit import Remedy
from rowreckon.proposals import propose
from rowreckon.remedies.change import read_change
from rowreckon.remedies.indexes import new_index
from tests.causes.live import Connection, evenly_timed, judged, value
from tests.faults.library import LIBRARY
from tests.faults.runner import query_of, session_for

from .objects import objects_of


@pytest.fixture(scope="module")
def huts(database: str) -> Iterator[Connection]:
    """A session on an empty database."""
    with psycopg.connect(database, autocommit=True) as connection:
        connection.execute("set max_parallel_workers_per_gather = 0")
        yield connection


def run(connection: Connection, remedy: Remedy, *, undo: bool = True) -> None:
    """Execute everything that a remedy prints; each statement must succeed."""
    if remedy.check_first is not None:
        assert connection.execute(remedy.check_first.encode()).fetchall() is not None
    # what is proposed, tried and undone is all of the shapes that a trial knows
    # (a query written another way is no change: of that the rows are compared, in test_two_steps.py and its kin)
    for statement in (*remedy.sql, *remedy.sql_trial, *(remedy.undo or ())) if remedy.kind != "query_rewrite" else ():
        assert read_change(statement).kind
    before = objects_of(connection)
    for statement in remedy.sql:
        connection.execute(statement.encode())
    if undo and remedy.undo:
        assert objects_of(connection) != before
        for statement in remedy.undo:
            connection.execute(statement.encode())
        assert objects_of(connection) == before


@pytest.mark.parametrize("catalog", [True, False], ids=["catalog", "plan"])
@pytest.mark.parametrize(
    "name",
    [
        "correlated_rare_pair",
        "distinct_of_three_columns",
        "distinct_declared_wrong",
        "expression_case",
        "composite_key_quoted",
        "function_few_rows",
        "no_index_on_inner_key_two_columns",
        "lured_by_low_cardinality_index",
        "target_lowered",
        "never_analyzed_temporary",
    ],
)
def test_every_printed_statement_runs(database: str, name: str, catalog: bool) -> None:
    """Odd identifiers, other schemas, temporary tables: all statements run, and the undo brings the objects back."""
    fault = next(f for f in LIBRARY if f.name == name)
    with session_for(fault, database) as connection:
        audit = judged(connection, query_of(fault, connection), catalog=catalog)
        remedies = propose([evenly_timed(audit)])
        # the plan alone tells too little of a table to propose an index or to drop one
        assert remedies or (not catalog and "index" in name)
        for remedy in remedies:
            # without the catalog nobody knows what somebody had set before, and the remedy says so
            kept = remedy.kind not in ("more_statistics", "distinct_count") or remedy.undo_note is None
            run(connection, remedy, undo=catalog or kept)


def test_an_override_set_before_is_said_not_to_come_back(database: str) -> None:
    """RESET removes an n_distinct that somebody had set: the remedy says so, or the query to run first shows it."""
    fault = next(f for f in LIBRARY if f.name == "distinct_from_a_small_sample")
    with session_for(fault, database) as connection:
        remedies = propose([evenly_timed(judged(connection, fault.query, catalog=False))])
        remedy = next(r for r in remedies if any("n_distinct" in s for s in r.sql))
        assert remedy.undo_note is not None
        assert remedy.check_first is not None
        run(connection, remedy)


def test_statistics_partition_by_partition(huts: Connection) -> None:
    """Restrictions on a partitioned table are estimated from each partition: each gets its statistics object."""
    for statement in (
        "create schema tours",
        "create table guests(id int primary key, pad text)",
        "insert into guests select i, repeat('g', 40) from generate_series(1, 20000) i",
        'create table tours."Stay Log"(id int, guest_id int, city text, region text, day int) partition by range (day)',
        'create table tours."Stay Log 1" partition of tours."Stay Log" for values from (0) to (50)',
        'create table tours."Stay Log 2" partition of tours."Stay Log" for values from (50) to (100)',
        "insert into tours.\"Stay Log\" select i, i % 20000 + 1, 'c' || i % 24, 'r' || (i % 24) / 3, i / 24 % 100 "
        "from generate_series(1, 120000) i",
        "analyze",
    ):
        huts.execute(statement)
    audit = judged(
        huts,
        'select count(*), max(g.pad) from tours."Stay Log" s join guests g on g.id = s.guest_id '
        "where s.city = 'c7' and s.region = 'r2'",
        threshold=5,
    )
    assert audit.findings[0].code == "correlated_columns_equality"
    assert len([f for f in audit.findings if f.code == "correlated_columns_equality"]) == 1
    (draft,) = BY_CODE[audit.findings[0].code].remedy(audit.findings[0].subject, audit.capture)
    assert [s for s in draft.sql if s.startswith("CREATE")] == [
        'CREATE STATISTICS tours."Stay_Log_1_city_region_stats" (dependencies, mcv) ON city, region '
        'FROM tours."Stay Log 1"',
        'CREATE STATISTICS tours."Stay_Log_2_city_region_stats" (dependencies, mcv) ON city, region '
        'FROM tours."Stay Log 2"',
    ]
    before = objects_of(huts)
    for statement in (*draft.sql, *(draft.undo or ())):
        huts.execute(statement.encode())
    assert objects_of(huts) == before


def test_index_of_a_partitioned_table(huts: Connection) -> None:
    """Without blocking writes: the parent's index alone, each partition's concurrently, then attached: it is valid."""
    for statement in (
        "create table visits(id int primary key, pad text)",
        "insert into visits select i, repeat('v', 40) from generate_series(1, 5000) i",
        "create table items(visit_id int, day int, pad text) partition by range (day)",
        "create table items_1 partition of items for values from (0) to (50)",
        "create table items_2 partition of items for values from (50) to (100)",
        "insert into items select i % 100000, i % 100, repeat('i', 40) from generate_series(1, 300000) i",
        "analyze visits",
        "analyze items",
    ):
        huts.execute(statement)
    query = "select v.id, i.day from visits v join items i on i.visit_id = v.id where v.id between 10 and 14"
    audit = judged(huts, query)
    catalog = audit.capture.catalog
    assert isinstance(catalog, Catalog)
    parent = next(r for r in catalog.relations if r.kind == "partitioned_table")
    subject = Subject(table=TableName("items", "public"), relation=parent, columns=("visit_id",))
    (draft,) = new_index(subject, audit.capture)
    assert any("ON ONLY" in s for s in draft.sql)
    assert not draft.transactional
    before = objects_of(huts)
    for statement in draft.sql:
        huts.execute(statement.encode())
    assert value(huts, "select indisvalid from pg_index where indexrelid = 'items_visit_id_idx'::regclass")
    for statement in draft.undo or ():
        huts.execute(statement.encode())
    assert objects_of(huts) == before


def test_views_and_materialized_views(huts: Connection) -> None:
    """A view over a view leads to its table; a materialized view is analyzed and indexed like one."""
    for statement in (
        "create table people(id int primary key, pad text)",
        "insert into people select i, repeat('p', 40) from generate_series(1, 100000) i",
        "create table stays(id int, person int, land text, city text)",
        "insert into stays select i, i % 100000 + 1, 'l' || (i % 40) / 2, 'c' || i % 40 "
        "from generate_series(1, 80000) i",
        "create view stays_seen as select * from stays where id > 0",
        "create view stays_shown as select person, land, city from stays_seen",
        'create materialized view "Stays Kept" as select * from stays',
        "analyze",
    ):
        huts.execute(statement)
    for relation, table in (("stays_shown", "public.stays"), ('"Stays Kept"', 'public."Stays Kept"')):
        audit = judged(
            huts,
            f"select count(*), max(p.pad) from {relation} s join people p on p.id = s.person "
            "where s.land = 'l3' and s.city = 'c7'",
            threshold=5,
        )
        assert audit.findings[0].code == "correlated_columns_equality"
        remedies = [r for r in propose([evenly_timed(audit)]) if r.kind == "more_statistics"]
        assert f"FROM {table}" in remedies[0].sql[0]
        run(huts, remedies[0])


def test_foreign_tables_get_no_index(huts: Connection) -> None:
    """A foreign table is analyzed on request only: ANALYZE is proposed, an index never."""
    if not value(huts, "select count(*) from pg_available_extensions where name = 'postgres_fdw'"):
        pytest.skip("the server has no postgres_fdw")
    host, port = huts.info.host, huts.info.port
    for statement in (
        "create extension postgres_fdw",
        f"create server remote foreign data wrapper postgres_fdw options (host '{host}', port '{port}', "
        f"dbname '{huts.info.dbname}')",
        "create user mapping for current_user server remote options (user 'postgres')",
        "create table depot(id int, kind text, pad text)",
        "insert into depot select i, case when i % 3 = 0 then 'rope' else 'axe ' || i end, repeat('d', 20) "
        "from generate_series(1, 60000) i",
        "analyze depot",
        "create foreign table far_depot(id int, kind text, pad text) server remote options (table_name 'depot')",
        "create table shelves(id int primary key, pad text)",
        "insert into shelves select i, repeat('s', 40) from generate_series(1, 60000) i",
        "analyze shelves",
    ):
        huts.execute(statement.encode())
    audit = judged(
        huts, "select count(*), max(s.pad) from far_depot d join shelves s on s.id = d.id where d.kind = 'rope'"
    )
    remedies = propose([evenly_timed(audit)])
    assert not any(r.kind == "new_index" and "public.far_depot" in r.tables for r in remedies)
    for remedy in remedies:
        run(huts, remedy)
