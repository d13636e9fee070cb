"""What a stand-in is not given is named: each kind, on facts of a live server."""

from __future__ import annotations

import json

import psycopg
import pytest
from psycopg.conninfo import make_conninfo

from rowreckon.server.connecting.connection import connected
from rowreckon.server.stand_in.standing import stand_in
from rowreckon.stand_in.compare import plan_differences
from rowreckon.stand_in.facts import stand_in_facts
from rowreckon.stand_in.lacking import lacking, page_costs
from tests.servers.databases import fresh_database

from .test_same_plans import both, build, facts_of

SCRIPT = """
create table guests (id int primary key, tags text[], note text, stay daterange);
create index guests_tags on guests using gin (tags);
alter table guests enable row level security;
create function fee(int) returns int language sql immutable as 'select $1 * 2';
insert into guests select i, array['a' || i % 3], 'n', daterange('2024-01-01', '2024-01-09')
  from generate_series(1, 999) i;
analyze;
"""

HUTS = "create table huts (id int primary key);\ninsert into huts select generate_series(1, 9000)"


@pytest.mark.server
def test_each_kind_is_named(server: str) -> None:
    """A GIN index, row security, a function that would be inlined, and a type that is not there."""
    with fresh_database(server) as dsn:
        with psycopg.connect(dsn, autocommit=True) as loading:
            build(loading, SCRIPT)
        with connected(dsn) as source:
            facts = facts_of(source, ["select fee(id) from guests"])
            document = json.loads(facts.model_dump_json(by_alias=True))
    next(c for c in document["columns"] if c["name"] == "note")["type"] = "elsewhere.shape"
    document["heights"] = []
    document["gin_counters"] = []
    document["rights"] = []
    document["server"]["version"] = 160004
    said = " | ".join(lacking(stand_in_facts(json.dumps(document))))

    for part in ("GIN index guests_tags", "row security of guests", "function fee", "guests.note", "ranges in stay"):
        assert part in said
    assert "height of the index guests_pkey" in said


@pytest.mark.server
def test_what_a_role_may_not_see_is_named(server: str) -> None:
    """A role without rights on the table sees its size, and neither its statistics nor the ends of its columns."""
    with fresh_database(server) as dsn:
        with psycopg.connect(dsn, autocommit=True) as loading:
            build(loading, f"{HUTS};\nanalyze huts;\ndrop role if exists passer_by;\ncreate role passer_by login;\n")
        with connected(make_conninfo(dsn, user="passer_by")) as source:
            facts = facts_of(source, ["select * from huts"])
        with psycopg.connect(dsn, autocommit=True) as loading:
            loading.execute("drop role passer_by")
    said = " | ".join(lacking(facts))

    assert next(iter(facts.relations)).pages > 30
    assert "huts has no statistics, or the role that was asked may not see them" in said
    assert "the ends of the column id that leads huts_pkey are not known" in said


@pytest.mark.server
def test_page_costs_of_a_tablespace_are_carried(server: str) -> None:
    """Where all relations lie in a tablespace with page costs of its own, the plans cost as there."""
    with fresh_database(server) as dsn:
        with psycopg.connect(dsn, autocommit=True) as loading:
            build(loading, HUTS)
            loading.execute("vacuum analyze huts")
            loading.execute("alter tablespace pg_default set (seq_page_cost = 3, random_page_cost = 7)")
        try:
            with connected(dsn) as source:
                facts = facts_of(source, ["select * from huts"])
                assert page_costs(facts) == {(("random_page_cost", 7.0), ("seq_page_cost", 3.0))}
                with stand_in(facts) as there:
                    for query in ("select * from huts", "select * from huts where id = 5"):
                        source_plan, plan = both(source, there.planner, query, {})
                        assert plan["Total Cost"] == source_plan["Total Cost"]
        finally:
            with psycopg.connect(dsn, autocommit=True) as loading:
                loading.execute("alter tablespace pg_default reset (seq_page_cost, random_page_cost)")


DOORS = """
create collation by_name (provider = libc, locale = 'C.UTF-8');
create table doors (id int primary key, name text collate by_name not null);
insert into doors select i, 'Door ' || i % 700 from generate_series(1, 9000) i;
create index doors_name on doors (name);
vacuum analyze doors;
"""


@pytest.mark.server
def test_a_missing_collation_or_extension_is_named(server: str) -> None:
    """Another stands in that is not "C": LIKE is read by no index, as at the source, whose texts sort by bytes too."""
    query = "select * from doors where name like 'Door 7%'"
    with fresh_database(server) as dsn:
        with psycopg.connect(dsn, autocommit=True) as loading:
            build(loading, DOORS)
        with connected(dsn) as source:
            facts = facts_of(source, [query])
            strange = [each.model_copy(update={"collate": "xx_XX"}) for each in facts.collations]
            nowhere = {"extensions": ("pg_trgm",), "extension_schemas": {"pg_trgm": "pg_nowhere"}}
            database = facts.server.model_copy(update={"collate": "xx_XX", **nowhere})
            with stand_in(facts.model_copy(update={"collations": tuple(strange), "server": database})) as there:
                assert any("collation by_name is not here" in each for each in there.without)
                assert any("collation of the source is not here" in each for each in there.without)
                assert any("extension pg_trgm is not here" in each for each in there.without)
                assert plan_differences(*both(source, there.planner, query, {})) == ()
