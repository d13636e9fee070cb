"""What a role may not see becomes `missing`, never an error; odd names and kinds are read as they are."""

from __future__ import annotations

from collections.abc import Iterator

import psycopg
import pytest
from psycopg.conninfo import make_conninfo

from rowreckon.catalog.facts import Catalog
from rowreckon.errors import StatementFailed
from rowreckon.plan import lay_out, parse_document
from rowreckon.plan.tree import PlanTree
from rowreckon.server.sweeping.facts import read_catalogs

from .conftest import Session

QUERY = "select * from hut h join booking b on b.hut_id = h.id where b.nights = 3"


@pytest.fixture
def guest(huts: Session) -> Iterator[psycopg.Connection[tuple[object, ...]]]:
    """A role without rights, connected to the same database."""
    name = f"guest_{huts.major}"
    huts.run(f"drop role if exists {name}; create role {name} login")
    with psycopg.connect(make_conninfo(huts.dsn, user=name), autocommit=True) as connection:
        yield connection
    huts.run(f"drop owned by {name}; drop role {name}")


def test_without_rights(huts: Session, guest: psycopg.Connection[tuple[object, ...]]) -> None:
    """Sizes are open to all, statistics are not; one readable column is told from a hidden one."""
    tree = huts.plan(QUERY)
    huts.run(f"grant select (id, region) on hut to guest_{huts.major}")
    catalog = read_catalogs(guest, [tree], trust="file")[0]
    hut, booking = catalog.relation("hut", "public"), catalog.relation("booking", "public")
    assert hut is not None
    assert booking is not None
    assert (booking.pages, booking.selectable, booking.statistics_readable, booking.analyzable) == (
        huts.value("select pg_relation_size('booking') / 8192"),
        False,
        False,
        False,
    )
    assert {c.name: bool(c.statistics) for c in hut.columns} == {
        "id": True, "region": True, "name": False, "altitude": False, "opened": False,
    }  # fmt: skip
    assert {c.statistics_missing for c in booking.columns} == {"hidden from this role, which may not read the column"}
    hidden = {m.what for m in catalog.missing if "may not read" in m.why}
    assert hidden == {
        "statistics of public.hut (name, altitude, opened)",
        "statistics of public.booking (id, hut_id, nights, guest, made, code)",
    }
    assert "the planner's estimate for b" in {m.what for m in catalog.missing}
    assert catalog.join_clauses[0].ascending is None


def test_row_security_hides_statistics(huts: Session, guest: psycopg.Connection[tuple[object, ...]]) -> None:
    """Where a policy applies, pg_stats shows nothing, and that is not 'never analyzed'."""
    huts.run(f"""
      create table diary(id int, text text); insert into diary select i, 'x' from generate_series(1, 500) i;
      analyze diary; alter table diary enable row level security; create policy own on diary using (id < 10);
      grant select on diary to guest_{huts.major};
    """)
    tree = huts.plan("select * from diary")
    told = read_catalogs(guest, [tree], trust="file")[0]
    diary = told.relation("diary", "public")
    assert diary is not None
    assert (diary.row_security, diary.row_security_active, diary.statistics_readable) == (True, True, False)
    assert {c.statistics_missing for c in diary.columns} == {"hidden by row security"}
    assert any("row security hides them" in m.why for m in told.missing)
    owner = read_catalogs(huts.connection, [tree], trust="file")[0].relation("diary", "public")
    assert owner is not None
    assert (owner.row_security_active, owner.statistics_readable) == (False, True)
    assert all(c.statistics for c in owner.columns)


def test_empty_counters_prove_nothing(huts: Session) -> None:
    """After a reset the counts are unknown, not zero; what ANALYZE left in the catalog is still there."""
    huts.run("create table lost(id int); insert into lost select generate_series(1, 900); analyze lost")
    for _ in range(20):  # the session that filled the table may hand its counts on after a first reset
        huts.run("select pg_stat_reset()")
        huts.value("select pg_sleep(0.3)")
        if huts.value("select pg_stat_get_live_tuples('lost'::regclass)") == 0:
            break
    catalog = huts.facts("select * from lost")
    lost = catalog.relation("lost", "public")
    assert lost is not None
    assert (lost.n_live_tup, lost.n_mod_since_analyze, lost.last_analyze, lost.reltuples) == (None, None, None, 900)
    assert [m.what for m in catalog.missing] == ["counts of changes to public.lost and when it was last analyzed"]


def test_never_analyzed(huts: Session) -> None:
    """An unknown number of rows is None, on every release, and the columns say why they have no statistics."""
    huts.run("create table fresh(id int); insert into fresh select generate_series(1, 5000)")
    fresh = huts.facts("select * from fresh").relation("fresh", "public")
    assert fresh is not None
    assert (fresh.reltuples, fresh.relpages) == (None, 0)
    assert fresh.columns[0].statistics_missing == "never analyzed"


def test_analyzed_while_empty(huts: Session) -> None:
    """From 14 on the catalog tells an empty table that was analysed from one that never was; 13 can't."""
    huts.run("create table bare(id int); analyze bare")
    bare = huts.facts("select * from bare").relation("bare", "public")
    assert bare is not None
    assert bare.reltuples == (None if huts.major == 13 else 0.0)


def test_odd_names(huts: Session) -> None:
    """Quotes, dots, capitals, spaces and dollar signs in any name reach the server as they are."""
    huts.run("""
      create schema "Alm ""Nord"".x";
      create table "Alm ""Nord"".x"."Hut's $$ log"("Id; drop" int primary key, "a.b" text, "order" int, "ä€" int);
      insert into "Alm ""Nord"".x"."Hut's $$ log" select i, 'v' || i % 5, i % 9, i % 3 from generate_series(1, 3000) i;
      create index "Ix ""of"" it" on "Alm ""Nord"".x"."Hut's $$ log"("order", "a.b");
      analyze;
    """)
    name = '"Alm ""Nord"".x"."Hut\'s $$ log"'
    query = f'select * from {name} "L 1" join {name} "l.2" on "L 1"."Id; drop" = "l.2"."order" where "L 1"."ä€" = 2'
    for verbose in (True, False):
        catalog = huts.facts(query, verbose=verbose)
        assert catalog.relations[0].qualified_name == 'Alm "Nord".x.Hut\'s $$ log'
        assert [i.height for i in catalog.relations[0].indexes] == [1, 1]
        estimate = catalog.estimate("L 1")
        assert estimate is not None
        assert estimate.rows == 1000
        assert len(catalog.join_clauses) == 1
        assert catalog.join_clauses[0].selectivity == pytest.approx(1 / 3000)
    assert "outside the search path" in (catalog.names[0].why or "")


def test_names_without_a_schema(huts: Session) -> None:
    """The search path decides; without it the only one of a name is taken, and of several none."""
    huts.run("""
      create schema north; create schema south; create table north.cairn(id int); create table south.cairn(id int);
      create table north.single(id int);
    """)
    huts.connection.execute("set search_path = north")
    plans = [huts.plan(f"select * from {t}", verbose=False) for t in ("cairn", "single")]
    (found, _) = read_catalogs(huts.connection, plans, trust="file")
    assert found.relations[0].qualified_name == "north.cairn"
    assert found.names[0].why is not None  # said, since another one has this name too
    huts.connection.execute("set search_path = public")
    (cairn, single) = read_catalogs(huts.connection, plans, trust="file")
    assert cairn.relations == ()
    assert cairn.missing[0].what == "facts of cairn"
    assert "several schemas" in cairn.missing[0].why
    assert single.relations[0].qualified_name == "north.single"
    (gone,) = read_catalogs(huts.connection, [_renamed(plans[0], "no_such_table")], trust="file")
    assert "no such relation" in gone.missing[0].why


def _renamed(tree: PlanTree, name: str) -> PlanTree:
    node = tree.nodes[0]
    return lay_out(parse_document({"Plan": node.to_explain() | {"Relation Name": name}}).plan)


def test_partitions_bring_their_parents(huts: Session) -> None:
    """Partitions are read as scanned, their ancestors come along with bounds, and each has its own estimate."""
    huts.run("""
      create table flight(id int, day date, load int) partition by range (day);
      create table flight_24 partition of flight for values from ('2024-01-01') to ('2025-01-01')
        partition by list (load);
      create table flight_24_a partition of flight_24 for values in (1, 2);
      create table flight_24_b partition of flight_24 default;
      create table flight_25 partition of flight for values from ('2025-01-01') to ('2026-01-01');
      insert into flight select i, date '2024-01-01' + i % 700, i % 7 from generate_series(1, 6000) i;
      create index on flight(load);
      analyze flight_24_a; analyze flight_24_b; analyze flight_25;
    """)
    catalog = huts.facts("select * from flight f where f.load < 3")
    kinds = {r.name: r.kind for r in catalog.relations}
    assert kinds == {
        "flight": "partitioned_table", "flight_24": "partitioned_table", "flight_24_a": "table",
        "flight_24_b": "table", "flight_25": "table",
    }  # fmt: skip
    parent, leaf = catalog.relation("flight"), catalog.relation("flight_24_a", "public")
    by_name = {r.name: r for r in catalog.relations}
    parent = by_name["flight"]
    assert leaf is not None
    assert (parent.pages, parent.partition_key, len(parent.children)) == (None, "RANGE (day)", 2)
    assert all(not c.statistics for c in parent.columns)
    assert (leaf.parent, leaf.partition_bound) == (by_name["flight_24"].oid, "FOR VALUES IN (1, 2)")
    printed = {}
    for node in huts.plan("select * from flight f where f.load < 3").nodes:
        alias = getattr(node, "alias", None)
        if alias:
            printed[alias] = node.plan_rows
    assert {e.alias: e.rows for e in catalog.relation_estimates} == printed
    huts.run("analyze flight")
    again = {r.name: r for r in huts.facts("select * from flight f where f.load < 3").relations}
    assert all(c.statistics_of(inherited=True) for c in again["flight"].columns)


def test_inheritance_parent_is_scanned_alone(huts: Session) -> None:
    """An Append's member on the parent reads the parent's own rows only."""
    huts.run("""
      create table goods(id int, kind int); create table food() inherits (goods);
      insert into goods select i, 1 from generate_series(1, 1000) i;
      insert into food select i, i % 10 from generate_series(1, 9000) i;
      analyze goods; analyze food;
    """)
    catalog = huts.facts("select * from goods g where g.kind = 1")
    rows = {catalog.relation(e.relation).name: e.rows for e in catalog.relation_estimates}  # type: ignore[union-attr]
    assert rows == {"goods": 1000, "food": 900}


def test_views_temporary_and_foreign_tables(huts: Session) -> None:
    """A view's plan names its tables; a temporary table is found in its own session; a foreign table has no size."""
    huts.run("create view high as select id, name from hut where region < 4")
    huts.connection.execute("create temp table packing(id int, hut int)")
    huts.connection.execute("insert into packing select i, i from generate_series(1, 300) i")
    huts.connection.execute("analyze packing")
    catalog = huts.facts("select * from high v join packing p on p.hut = v.id")
    kinds = {r.name: (r.kind, r.persistence) for r in catalog.relations}
    assert kinds == {"hut": ("table", "permanent"), "packing": ("table", "temporary")}
    assert catalog.join_clauses[0].selectivity == pytest.approx(1e-4)
    if not huts.value("select count(*) from pg_available_extensions where name = 'file_fdw'"):
        pytest.skip("this server comes without a foreign data wrapper")
    huts.run("""
      create extension file_fdw; create server files foreign data wrapper file_fdw;
      create foreign table forecast(day date, text text) server files options (filename '/dev/null');
    """)
    catalog = huts.facts("select * from forecast")
    assert [(r.kind, r.pages) for r in catalog.relations] == [("foreign_table", None)]


def test_a_locked_table_costs_only_its_part(huts: Session) -> None:
    """Somebody's exclusive lock is waited for a moment; the other sections still arrive, and the lack is named."""
    huts.run("create table busy(id int); insert into busy select generate_series(1, 100); analyze busy")
    tree = huts.plan("select * from busy b join hut h on h.id = b.id")
    with psycopg.connect(huts.dsn) as other:
        other.execute("lock table busy in access exclusive mode")
        catalog = read_catalogs(huts.connection, [tree], trust="file")[0]
    assert catalog.setting("work_mem") == 4096
    assert any("lock" in m.why for m in catalog.missing)


def test_nothing_stays_behind(huts: Session) -> None:
    """No transaction, setting or search path of the reading outlives it, also inside a caller's transaction."""
    huts.connection.execute("set search_path = public; set enable_seqscan = off; set work_mem = '2MB'")
    tree = huts.plan(QUERY)
    names = ("search_path", "enable_seqscan", "TimeZone", "cpu_operator_cost", "lock_timeout", "work_mem")
    show = f"select array[{', '.join(repr(name).join(('current_setting(', ')')) for name in names)}]"
    before = huts.value(show)
    read_catalogs(huts.connection, [tree], trust="file")
    assert huts.connection.info.transaction_status == psycopg.pq.TransactionStatus.IDLE
    assert huts.value(show) == before
    with huts.connection.transaction():
        huts.connection.execute("set local work_mem = '9MB'")
        assert read_catalogs(huts.connection, [tree], trust="file")[0].setting("work_mem") == 9216
        huts.connection.execute("create temp table still_writing(id int)")
        assert huts.value("show work_mem") == "9MB"


def test_text_of_a_plan_cannot_act(huts: Session) -> None:
    """Conditions that hold more than an expression are left out, and nothing of them runs."""
    huts.run("create table canary(id int)")
    node = huts.plan("select * from hut h where h.region = 3").nodes[0].to_explain()
    for filter_ in (
        "(region = 3); drop table canary; --",
        "region = 3) ; insert into canary values (1); select (1",
        "region = (select count(*) from canary)",
        "region = 3 /* */ ; commit; drop table canary",
        "(region = 3) union all table canary",
        "region = $rowreckon_request$ 1",
    ):
        tree = lay_out(parse_document({"Plan": node | {"Filter": filter_}}).plan)
        catalog = read_catalogs(huts.connection, [tree], trust="file")[0]
        estimate = catalog.estimate("h")
        assert estimate is not None
        assert (estimate.restrictions, len(estimate.left_out)) == ((), 1)
    assert huts.value("select count(*) from canary") == 0


def test_a_cancelled_reading_is_one_sentence(huts: Session) -> None:
    """A statement timeout of the session ends the reading with its SQLSTATE."""
    tree = huts.plan(QUERY)
    huts.connection.execute("set statement_timeout = '1ms'")
    with pytest.raises(StatementFailed) as caught:
        read_catalogs(huts.connection, [tree], trust="file")
    assert caught.value.sqlstate == "57014"


def test_several_plans_at_once(huts: Session) -> None:
    """Each plan gets its own relations and estimates, as if read alone."""
    queries = [QUERY, "select * from weather w where w.reading = 3", "select 1"]
    together = read_catalogs(huts.connection, [huts.plan(q) for q in queries], trust="file")
    alone = [huts.facts(q) for q in queries]
    plain = [[_settled(c) for c in group] for group in (together, alone)]
    assert plain[0] == plain[1]


def _settled(catalog: Catalog) -> Catalog:
    """Without what time and reading itself change: the clock and the index scan counters."""
    relations = tuple(
        r.model_copy(
            update={
                "indexes": tuple(i.model_copy(update={"idx_scan": 0, "idx_tup_read": 0}) for i in r.indexes),
            }
        )
        for r in catalog.relations
    )
    return catalog.model_copy(update={"read_at": None, "relations": relations, "operators": (), "functions": ()})
