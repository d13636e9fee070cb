"""A plan from a file makes the server plan PostgreSQL's own functions only: each attack beside a harmless twin.

The canary is a function that is declared immutable, so that planning may call it: it takes an advisory lock of the
session, which no rollback gives back, and warns.  Each attack calls it where the same thing is planned as an ordinary
query, and is seen to do nothing where it comes from a plan's text.
"""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from typing import Any

import psycopg
import pytest
from psycopg.conninfo import make_conninfo

from rowreckon.capture import Capture
from rowreckon.captures.masking import mask_catalog
from rowreckon.catalog.ask import ask_script, read_answers
from rowreckon.catalog.facts import Catalog
from rowreckon.catalog.request import Trust
from rowreckon.errors import StatementFailed
from rowreckon.plan import PlanTree, lay_out, parse_document
from rowreckon.server.sweeping.enrich import add_facts
from rowreckon.server.sweeping.facts import read_catalogs
from tests.reading.psql import psql_program
from tests.servers.databases import run_script
from tests.servers.fixtures import MatrixServer

TABLES = r"""
create function spy(said text) returns text language plpgsql immutable as
  $$ begin perform pg_catalog.pg_advisory_lock(4711); raise warning 'the spy was called'; return said; end $$;
create function spy_too(one text, other text) returns bool language sql immutable as 'select spy(one) = other';
create operator === (leftarg = text, rightarg = text, function = spy_too);
create domain spied as text check (spy(value) is distinct from 'no');
create type mood as enum ('calm', 'windy');
create type sky as enum ('clear', 'grey');
create function sky_text(it sky) returns text language sql immutable as 'select spy(''x'')';
create cast (sky as text) with function sky_text(sky) as implicit;
create type place as (x int, y int);
create function place_of(it text) returns place language sql immutable as 'select (length(spy(it)), 1)::place';
create cast (text as place) with function place_of(text) as implicit;
create table hut(id int, region int, name text, mood mood, said spied, tags text[], sky sky, place place);
insert into hut select i, i % 50, 'hut ' || i, (array['calm', 'windy'])[1 + i % 2]::mood, null, array['t' || i % 9],
  'grey', (1, i)::place from generate_series(1, 2000) i;
create table canary(id int); insert into canary values (1);

-- namesakes of PostgreSQL's own, in a schema that a search path can put before it
create schema shadow;
create function shadow.lower(text) returns text language sql immutable as 'select public.spy($1)';
create function shadow.quote_ident(text) returns text language sql immutable as 'select public.spy($1)';
create function shadow.current_schemas(bool) returns name[] language sql immutable
  as 'select array[public.spy(''x'')]::name[]';
create function shadow.same(one int, other int) returns bool language sql immutable
  as 'select public.spy(one::text) is not null and $1 operator(pg_catalog.=) $2';
create operator shadow.= (leftarg = int, rightarg = int, function = shadow.same);
create domain shadow.int8 as pg_catalog.int8 check (public.spy(value::text) is distinct from 'no');
create domain shadow.json as pg_catalog.json check (public.spy('x') is distinct from 'no');
create view shadow.pg_class as select public.spy('x');
grant usage on schema shadow to public;

-- tables with code of their own in places that planning looks into, and twins with PostgreSQL's own
create table by_index(name text); create index on by_index(spy(name));
create table by_index_twin(name text); create index on by_index_twin(lower(name));
create table by_predicate(name text); create index on by_predicate(name) where spy('x') = name;
create table by_predicate_twin(name text); create index on by_predicate_twin(name) where lower('x') = name;
create table by_check(name text check (name <> spy('x')));
create table by_check_twin(name text check (name <> lower('x')));
create table by_policy(name text); create policy own on by_policy using (name = spy('x'));
alter table by_policy enable row level security; alter table by_policy force row level security;
create table by_policy_twin(name text); create policy own on by_policy_twin using (name <> lower('x'));
alter table by_policy_twin enable row level security; alter table by_policy_twin force row level security;
create table by_generated(name text, other text generated always as (spy(name)) stored);
create table by_generated_twin(name text, other text generated always as (lower(name)) stored);
create function spied_order(one text, other text) returns int language sql immutable
  as 'select pg_catalog.bttextcmp(spy(one), other)';
create operator class spied_ops for type text using btree as operator 1 <, operator 2 <=, operator 3 =, operator 4 >=,
  operator 5 >, function 1 spied_order(text, text);
create table by_order(name text); create index on by_order(name spied_ops);
create table by_order_twin(name text); create index on by_order_twin(name text_pattern_ops);
create table by_parent(name text, part text) partition by list (spy(part));
create table by_key partition of by_parent for values in ('x');
create table by_parent_twin(name text, part text) partition by list (lower(part));
create table by_key_twin partition of by_parent_twin for values in ('x');
create table parted(name text, part int) partition by list (part);
create table parted_a partition of parted for values in (1);
create table parted_b partition of parted for values in (2);
create table parted_c partition of parted for values in (3);
create index on parted_c(name) where spy('x') = name;
create table parted_twin(name text, part int) partition by list (part);
create table parted_twin_a partition of parted_twin for values in (1);
create table parted_twin_b partition of parted_twin for values in (2);
create table parted_twin_c partition of parted_twin for values in (3);
create index on parted_twin_c(name) where lower('x') = name;
"""
STATISTICS = """
create table by_statistics(name text, id int); create statistics spied_on on spy(name), id from by_statistics;
create table by_statistics_twin(name text, id int);
create statistics looked_at on lower(name), id from by_statistics_twin;
"""

# what a file says, and a harmless twin that has to be answered
FILTERS = {
    "a call": ("(spy(h.name) = 'x'::text)", "(lower(h.name) = 'x'::text)"),
    "a call of constants": ("(h.name = spy('x'::text))", "(h.name = upper('x'::text))"),
    "a qualified call": ("(h.name = public.spy('x'::text))", "(h.name = pg_catalog.upper('x'::text))"),
    "an operator": ("(h.name OPERATOR(public.===) 'x'::text)", "(h.name OPERATOR(pg_catalog.=) 'x'::text)"),
    "an operator without schema": ("(h.name === 'x'::text)", "(h.name ~~ 'x%'::text)"),
    "a domain": ("((h.name)::spied = 'x'::text)", "((h.name)::character varying = 'x'::text)"),
    "a domain's constant": ("(h.name = 'x'::spied)", "(h.name = 'x'::text)"),
    "a domain's constant in an array": ("(h.name = ANY ('{x}'::spied[]))", "(h.name = ANY ('{x}'::text[]))"),
    "a domain's column": ("(h.said = 'x'::text)", "(h.mood = 'calm'::mood)"),
    "a domain in CASE": ("(CASE WHEN (h.id = 1) THEN h.said ELSE 'x' END = 'x'::text)", "(h.tags[1] = 't1'::text)"),
    "an enum with a cast of its own": ("((h.sky)::text = 'grey'::text)", "((h.mood)::text = 'calm'::text)"),
    "a composite's field": ("((h.place).x = 1)", "((h.tags)[2] IS NULL)"),
    "a composite": ("(h.place = place_of('x'::text))", "(h.tags = '{t1}'::text[])"),
    "a subquery": ("(h.name = (SELECT spy('x')))", "(h.mood = ANY ('{calm,windy}'::mood[]))"),
    "a relation's rows": ("(EXISTS (TABLE canary))", "(h.name IS NOT NULL)"),
    "rows as text": ("(h.name = (table_to_xml('canary', true, true, ''))::text)", "(h.region > (h.id % 7))"),
    "SQL as text": ("(query_to_xml('select spy(1)', true, true, '') IS NULL)", "(h.name > concat('a', 'b'))"),
    "an input function": ("(h.name = (array_in('{x}', 'spied'::regtype, -1))::text)", "(h.id = ANY ('{1,2}'::int[]))"),
    "a partition key's function": (
        "satisfies_hash_partition('by_parent'::regclass, 4, 0, 'x'::text)", "(NOT (h.region = 3))",
    ),
    "a memory hog": ("(h.name = repeat('x'::text, 1000000000))", "(h.name = \"left\"('xyz'::text, 2))"),
    "a lock": ("(pg_advisory_lock(4711) IS NULL)", "(h.name = (CURRENT_USER)::text)"),
    "a setting": ("(set_config('transaction_read_only', 'off', true) = 'x')", "(h.name = current_setting('TimeZone'))"),
    "a window": ("(count(*) OVER (?) > 5)", "(COALESCE(h.region, 0) > 5)"),
    "a broken literal": (
        "((h.name = E'a'\n'\\' = ' ; select public.spy($$x$$) -- ') )", "(h.name = E'it''s \\\\ \\n')",
    ),
    "a backslash": (r"(h.name = '\' or public.spy('x') = ' ')", r"(h.name = 'C:\temp'::text)"),
    "a second statement": ("(h.region = 3); select public.spy('x'); --", "(h.region = 3)"),
    "a closed bracket": ("h.region = 3) or (public.spy('x') = 'x'", "((h.region = 3) OR (h.region = 4))"),
    "a comment": ("(h.region = 3) /* */ -- ", "(h.name = '/* */ -- '::text)"),
    "a time zone": (
        "((now() AT TIME ZONE spy('utc'::text)) IS NOT NULL)",
        "((now() AT TIME ZONE 'utc'::text) > ('2020-01-01'::date + h.id))",
    ),
    "a NUL": ("(h.region = 3)\0; select public.spy('x')", "(h.region = 5)"),
    "half a character": ("(h.name = '\ud800'::text)", "(h.name = 'é€😀'::text)"),
    "a collation": ("(h.name < ('x'::text COLLATE public.spied))", "(h.name < ('x'::text COLLATE \"C\"))"),
}  # fmt: skip
PLACES = ["by_order", "by_index", "by_predicate", "by_check", "by_policy", "by_generated", "by_key", "by_statistics"]


@pytest.fixture(scope="module")
def server_of_huts(matrix_database: MatrixServer) -> MatrixServer:
    """The tables with code of their own, in a database of this module; the policies apply to its owner."""
    run_script(matrix_database.dsn, TABLES)
    if matrix_database.major >= 14:
        run_script(matrix_database.dsn, STATISTICS)
    owner = f"warden_{matrix_database.major}"
    with psycopg.connect(matrix_database.dsn, autocommit=True) as connection:
        connection.execute(f"drop role if exists {owner}; create role {owner} login".encode())
        for (name,) in connection.execute("select relname from pg_class where relnamespace = 'public'::regnamespace"
                                          " and relkind in ('r', 'p')").fetchall():  # fmt: skip
            connection.execute(f"alter table {name} owner to {owner}".encode())
        connection.execute("analyze hut")
    return MatrixServer(matrix_database.major, make_conninfo(matrix_database.dsn, user=owner))


@pytest.fixture
def warden(server_of_huts: MatrixServer) -> Iterator[psycopg.Connection[Any]]:
    """A session of the tables' owner, in which every table is planned on for its conditions."""
    with psycopg.connect(server_of_huts.dsn, autocommit=True) as connection:
        connection.execute("set constraint_exclusion = on")
        yield connection


def was_called(connection: psycopg.Connection[Any]) -> bool:
    """Whether the canary's lock is held by the session; it is given back for the next look."""
    row = connection.execute("select count(*) from pg_locks where locktype = 'advisory' and objid = 4711").fetchone()
    connection.execute("select pg_advisory_unlock_all()")
    assert row is not None
    return bool(row[0])


def scan(table: str, alias: str, condition: str | None) -> PlanTree:
    node: dict[str, Any] = {
        "Node Type": "Seq Scan", "Relation Name": table, "Schema": "public", "Alias": alias, "Startup Cost": 0.0,
        "Total Cost": 10.0, "Plan Rows": 10, "Plan Width": 10, "Output": [f"{alias}.name"],
    }  # fmt: skip
    return lay_out(parse_document({"Plan": node | ({"Filter": condition} if condition else {})}).plan)


def restricted(catalog: Catalog, alias: str) -> bool:
    """Whether the planner told the selectivity of a condition."""
    estimate = catalog.estimate(alias)
    return estimate is not None and bool(estimate.restrictions) and estimate.selectivity is not None


@pytest.mark.oldest_and_newest
@pytest.mark.parametrize("name", FILTERS)
@pytest.mark.parametrize("escapes", ["on", "off"])
def test_a_files_condition_calls_nothing(warden: psycopg.Connection[Any], name: str, escapes: str) -> None:
    """The attack goes unasked and is named; its twin is answered; both under either reading of backslashes."""
    attack, twin = FILTERS[name]
    warden.execute(f"set standard_conforming_strings = {escapes}".encode())

    attacked = read_catalogs(warden, [scan("hut", "h", attack)], trust="file")[0]
    called = was_called(warden)
    answered = read_catalogs(warden, [scan("hut", "h", twin)], trust="file")[0]

    assert not called
    assert not restricted(attacked, "h")
    assert attacked.estimate("h") is not None
    assert any("not asked" in m.why for m in attacked.missing)
    assert restricted(answered, "h"), answered.missing
    assert not was_called(warden)


def test_what_goes_unasked_is_masked(warden: psycopg.Connection[Any]) -> None:
    """Sentences about conditions keep what they are about, and lose the literals."""
    tree = scan("hut", "h", "(spy(h.name) = 'canary, secret'::text)")
    catalog = read_catalogs(warden, [tree], trust="file")[0]
    (said,) = [m.what for m in mask_catalog(catalog).missing if "not asked" in m.why]

    assert "canary, secret" in str(catalog.missing)
    assert "secret" not in mask_catalog(catalog).model_dump_json()
    assert "spy(h.name)" in said


@pytest.mark.parametrize("table", PLACES)
def test_tables_with_code_of_their_own_are_not_planned_on(warden: psycopg.Connection[Any], table: str) -> None:
    """Their facts are read all the same, and a plan that this server has just made may be asked about."""
    if table == "by_statistics" and warden.info.server_version < 140000:
        pytest.skip("statistics on expressions are there from 14 on")
    tree = scan(table, "t", "(t.name = 'x'::text)")

    from_file = read_catalogs(warden, [tree], trust="file")[0]
    called = was_called(warden)
    own = read_catalogs(warden, [tree], trust="own_list")[0]
    was_called(warden)
    twin = read_catalogs(warden, [scan(f"{table}_twin", "t", "(t.name = 'x'::text)")], trust="file")[0]

    assert not called
    assert from_file.estimate("t") is None
    assert from_file.relation(table, "public") is not None
    assert [m.what for m in from_file.missing if "code or relations of this database" in m.why] == [
        f"the planner's estimates on public.{table}"
    ]
    assert own.estimate("t") is not None
    assert restricted(twin, "t"), twin.missing


@pytest.mark.parametrize("trust", ["file", "own_list"])
def test_partitions_that_a_plan_left_out_are_looked_at_too(warden: psycopg.Connection[Any], trust: Trust) -> None:
    """A question about a partitioned table plans all of it: for a file there is none where one partition has code."""
    catalog, twin = (read_catalogs(warden, [joined(table)], trust=trust)[0] for table in ("parted", "parted_twin"))

    assert was_called(warden) == (trust == "own_list")
    assert [c.selectivity is not None for c in catalog.join_clauses] == [trust == "own_list"]
    assert [(c.left.alias, c.right.alias, c.selectivity is not None) for c in twin.join_clauses] == [("p", "h", True)]


def joined(table: str) -> PlanTree:
    """A join of huts with two of a table's partitions."""
    costs = {"Startup Cost": 0.0, "Total Cost": 10.0, "Plan Rows": 10, "Plan Width": 10}

    def read(name: str, alias: str, place: str) -> dict[str, Any]:
        at = {"Node Type": "Seq Scan", "Parent Relationship": place, "Relation Name": name, "Schema": "public"}
        return {**at, **costs, "Alias": alias, "Output": [f"{alias}.name"]}

    parts = [read(f"{table}_{part}", f"p_{n}", "Member") for n, part in enumerate("ab", 1)]
    append = {"Node Type": "Append", "Parent Relationship": "Outer", **costs, "Plans": parts}
    built = {"Node Type": "Hash", "Parent Relationship": "Inner", **costs, "Plans": [read("hut", "h", "Outer")]}
    join = {"Node Type": "Hash Join", "Join Type": "Inner", "Hash Cond": "(p.name = h.name)", **costs}
    return lay_out(parse_document({"Plan": {**join, "Plans": [append, built]}}).plan)


def test_the_canary_sings(warden: psycopg.Connection[Any]) -> None:
    """Planning the same as ordinary queries does call it: the attacks are none that fail by themselves."""
    for query in ("select from hut h where h.name = spy('x')", "select from hut h where h.name === spy('x')",
                  "select from by_check where name = 'x'",
                  "select from by_policy", "select from by_predicate where name = 'x'"):  # fmt: skip
        warden.execute(f"explain {query}".encode())
        assert was_called(warden), query


def test_a_search_path_of_a_file_puts_nothing_before(warden: psycopg.Connection[Any]) -> None:
    """Functions, operators, types and tables in a schema that the file's settings name first are not called."""
    document = parse_document(
        {"Plan": scan("hut", "h", "(lower(h.name) = 'x'::text)").nodes[0].to_explain(), "Settings": {}}
    )
    settings = {"search_path": "shadow, public, pg_catalog", "work_mem": "8MB", "session_authorization": "postgres"}
    capture = Capture(name="q", explain=document, settings=settings)
    (found,) = add_facts(warden, [capture], [], threshold=10.0)

    assert not was_called(warden)
    assert found.catalog is not None, found.notes
    assert restricted(found.catalog, "h")
    assert found.catalog.setting("work_mem") == 8192
    assert (found.catalog.role or "").startswith("warden")


def test_a_sessions_search_path_puts_nothing_before(warden: psycopg.Connection[Any]) -> None:
    """Where a role's own search path finds namesakes first, our statements still mean PostgreSQL's own."""
    warden.execute("set search_path = shadow, pg_catalog, public")
    document = parse_document({"Plan": scan("hut", "h", "(h.region = 3)").nodes[0].to_explain()})
    (found,) = add_facts(
        warden, [Capture(name="q", explain=document, settings={"work_mem": "8MB"})], [], threshold=10.0
    )

    assert not was_called(warden)
    assert found.catalog is not None, found.notes
    assert restricted(found.catalog, "h")


def test_a_condition_that_no_row_meets(warden: psycopg.Connection[Any]) -> None:
    """The planner then expects no row of either side, and no share of none can be told."""
    join = {"Node Type": "Hash Join", "Join Type": "Inner", "Hash Cond": "(h.id = g.id)", "Plan Rows": 1}
    sides = [
        scan("hut", alias, f"(({alias}.name = 'a'::text) AND ({alias}.name = 'b'::text))").nodes[0].to_explain()
        | {"Parent Relationship": relationship}
        for alias, relationship in (("h", "Outer"), ("g", "Inner"))
    ]
    tree = lay_out(parse_document({"Plan": join | {"Plans": sides}}).plan)
    catalog = read_catalogs(warden, [tree], trust="file")[0]

    assert len(catalog.relation_estimates) == 2
    assert all(pair.left_rows and pair.right_rows for pair in catalog.join_pairs)


@pytest.mark.parametrize(
    "put_beside",
    [
        ("create function pg_catalog.lower(one int) returns text language sql immutable as 'select public.spy(''x'')'",
         "drop function pg_catalog.lower(int)"),
        ("create operator pg_catalog.= (leftarg = text, rightarg = int, function = public.text_is)",
         "drop operator pg_catalog.= (text, int)"),
    ],
    ids=["a function", "an operator"],
)  # fmt: skip
def test_what_was_put_beside_postgresqls_own(server_of_huts: MatrixServer, put_beside: tuple[str, str]) -> None:
    """A namesake in pg_catalog takes the whole name out of what is asked."""
    make, remove = put_beside
    superuser = make_conninfo(server_of_huts.dsn, user="postgres")
    tree = scan("hut", "h", "(lower(h.name) = 'x'::text)")
    with psycopg.connect(superuser, autocommit=True) as admin:
        admin.execute("""
          create or replace function public.text_is(one text, other int) returns bool language sql immutable
            as 'select public.spy(one) is null';
        """)
        assert restricted(read_catalogs(admin, [tree], trust="file")[0], "h")
        admin.execute(make.encode())
        try:
            beside = read_catalogs(admin, [tree], trust="file")[0]
            called = was_called(admin)
        finally:
            admin.execute(remove.encode())

    assert not called
    assert not restricted(beside, "h")
    assert any("not asked" in m.why for m in beside.missing)


def test_a_cast_between_postgresqls_own_types(server_of_huts: MatrixServer) -> None:
    """A user's function behind it would be called by casts in our own statements: none of them is run for a file."""
    with psycopg.connect(make_conninfo(server_of_huts.dsn, user="postgres"), autocommit=True) as admin:
        admin.execute("create or replace function public.number_of(it text) returns int language sql immutable"
                      " as 'select length(public.spy(it))'")  # fmt: skip
        admin.execute("create cast (text as int4) with function public.number_of(text) as implicit")
        try:
            with pytest.raises(StatementFailed, match="cast of its own"):
                read_catalogs(admin, [scan("hut", "h", "(h.region = 3)")], trust="file")
            called = was_called(admin)
        finally:
            admin.execute("drop cast (text as int4)")

    assert not called


@pytest.mark.parametrize("trust", ["file", "own_list"])
def test_what_is_just_made_may_use_its_own(warden: psycopg.Connection[Any], trust: Trust) -> None:
    """For a plan that this server made a moment ago, the same functions are planned with as the query itself had."""
    catalog = read_catalogs(warden, [scan("hut", "h", "(public.spy(h.name) = 'x'::text)")], trust=trust)[0]

    assert restricted(catalog, "h") == (trust == "own_list")


@pytest.mark.parametrize("escapes", ["on", "off"])
def test_the_script_for_a_colleague_calls_nothing(server_of_huts: MatrixServer, escapes: str) -> None:
    """psql prints no warning of the canary's, under either reading of backslashes, and the twins are answered."""
    attacks, twins = ([("hut", "h", pair[at]) for pair in FILTERS.values()] for at in (0, 1))
    places = [p for p in PLACES if p != "by_statistics" or server_of_huts.major >= 14]
    plans = [scan(*a) for a in attacks] + [scan(p, "t", "(t.name = 'x'::text)") for p in places]
    dsn = make_conninfo(
        server_of_huts.dsn,
        options=f"-c standard_conforming_strings={escapes} -c constraint_exclusion=on -c search_path=public,pg_catalog",
    )
    for trees, answered in ((plans, False), ([scan(*t) for t in twins], True)):
        documents = [parse_document({"Plan": tree.nodes[0].to_explain()}) for tree in trees]
        done = subprocess.run(
            [psql_program(), "-X", "-d", dsn],
            input=ask_script(documents), capture_output=True, encoding="utf-8", timeout=120,
        )  # fmt: skip
        assert (done.returncode, done.stderr) == (0, "")
        assert restricted(read_answers(done.stdout)[0], "h") == answered
