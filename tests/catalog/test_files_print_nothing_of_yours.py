"""For a file no value of a user's type is printed: definitions, bounds, samples, modifiers that need it are left out.

The snare is a type whose output function and modifier's function can only fail (`any_out`, PostgreSQL's own, which
refuses whatever it is given): where the server prints a value of it, the section fails, as the twin for one's own list
shows.  Access methods of a user's are PostgreSQL's own handlers under another name.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import psycopg
import pytest

from rowreckon.catalog.facts import Catalog
from rowreckon.catalog.request import Trust
from rowreckon.plan import PlanTree, lay_out, parse_document
from rowreckon.server.sweeping.facts import read_catalogs
from tests.servers.databases import run_script
from tests.servers.fixtures import MatrixServer

TYPES = """
create type snare;
create function snare_in(cstring) returns snare language internal immutable strict as 'textin';
create function snare_out(snare) returns cstring language internal immutable strict as 'any_out';
create function snare_modifier(cstring[]) returns int language internal immutable strict as 'varchartypmodin';
create function snare_modified(int) returns cstring language internal immutable strict as 'any_out';
create type snare (input = snare_in, output = snare_out, typmod_in = snare_modifier, typmod_out = snare_modified,
  like = text, collatable = true);
create function snare_lt(snare, snare) returns bool language internal immutable strict as 'text_lt';
create function snare_le(snare, snare) returns bool language internal immutable strict as 'text_le';
create function snare_eq(snare, snare) returns bool language internal immutable strict as 'texteq';
create function snare_ge(snare, snare) returns bool language internal immutable strict as 'text_ge';
create function snare_gt(snare, snare) returns bool language internal immutable strict as 'text_gt';
create function snare_cmp(snare, snare) returns int language internal immutable strict as 'bttextcmp';
create operator < (leftarg = snare, rightarg = snare, function = snare_lt, restrict = scalarltsel);
create operator <= (leftarg = snare, rightarg = snare, function = snare_le, restrict = scalarlesel);
create operator = (leftarg = snare, rightarg = snare, function = snare_eq, restrict = eqsel, join = eqjoinsel, merges);
create operator >= (leftarg = snare, rightarg = snare, function = snare_ge, restrict = scalargesel);
create operator > (leftarg = snare, rightarg = snare, function = snare_gt, restrict = scalargtsel);
create operator class snare_order default for type snare using btree as
  operator 1 <, operator 2 <=, operator 3 =, operator 4 >=, operator 5 >, function 1 snare_cmp(snare, snare);
create domain snared as snare;
create type snares as range (subtype = snare);
create type held as (how_many int, word snare);
create domain said as text;
create type mood as enum ('calm', 'windy');
"""
TABLES = """
create table hut(id int, word snare(7), words snare[], bound snared, span snares, pair held, said said, mood mood,
  bits varbit(9));
insert into hut select i, ('{a,b,c,k,n,p,z}'::snare[])[1 + i % 7], array['a', 'b']::snare[], 'c',
  snares('a', 'b'), row(1, 'a')::held, 's' || i % 5, 'calm', b'101' from generate_series(1, 900) i;
create index plain on hut(id) where said <> 's1';
create index snaring on hut(id) where word > 'm';
create index casting on hut((case when id > 3 then 'q'::snare end));
create statistics many (mcv) on word, id from hut;
create table by_word(id int, word snare) partition by list (word);
create table by_word_a partition of by_word for values in ('a');
insert into by_word select i, 'a' from generate_series(1, 90) i;
create access method snail type index handler hashhandler;
create operator class snail_order default for type int using snail as
  operator 1 =, function 1 hashint4(int);
create table by_snail(id int); create index crawling on by_snail using snail (id);
create access method pile type table handler heap_tableam_handler;
create table heaped(id int) using pile;
create table twin(id int, said said, bits varbit(9), word varchar(7));
insert into twin select i, 's' || i % 5, b'101', 'w' || i % 3 from generate_series(1, 900) i;
create index twin_part on twin(id) where word > 'm';
create statistics twin_many (mcv) on word, id from twin;
analyze hut; analyze by_word; analyze twin;
"""


@pytest.fixture(scope="module")
def snared(matrix_database: MatrixServer) -> MatrixServer:
    """The types and tables, in a database of this module."""
    run_script(matrix_database.dsn, TYPES)
    run_script(matrix_database.dsn, TABLES)
    return matrix_database


@pytest.fixture
def session(snared: MatrixServer) -> Iterator[psycopg.Connection[Any]]:
    """A session of its own."""
    with psycopg.connect(snared.dsn, autocommit=True) as connection:
        yield connection


def scan(table: str) -> PlanTree:
    """A plan that reads a table."""
    node = {"Node Type": "Seq Scan", "Relation Name": table, "Schema": "public", "Alias": table, "Plan Rows": 1}
    costs = {"Startup Cost": 0.0, "Total Cost": 1.0, "Plan Width": 4}
    return lay_out(parse_document({"Plan": {**node, **costs}}).plan)


def facts(connection: psycopg.Connection[Any], table: str, trust: Trust, *, values: bool = True) -> Catalog:
    """What is read about a table."""
    (catalog,) = read_catalogs(connection, [scan(table)], trust=trust, with_values=values)
    return catalog


def failed(catalog: Catalog) -> set[str]:
    """What is named as missing because the snare went off."""
    return {m.what for m in catalog.missing if "cannot display a value" in m.why}


@pytest.mark.parametrize("table", ["hut", "by_word", "by_word_a"])
def test_for_a_file_nothing_goes_off(session: psycopg.Connection[Any], table: str) -> None:
    """What would print the snare is left out and named; all else is there."""
    catalog = facts(session, table, "file")
    assert failed(catalog) == set()
    assert any("no file makes the server run that" in m.why for m in catalog.missing)
    relation = next(r for r in catalog.relations if r.name == table)
    assert relation.columns
    if table != "hut":
        return
    told = {index.name: index for index in relation.indexes}
    assert told["snaring"].predicate == told["snaring"].definition == "..."
    assert told["casting"].definition == "..."
    assert "said" in str(told["plain"].predicate)
    assert "s1" in told["plain"].definition
    samples = {c.name: json.dumps(c.model_dump(mode="json")) for c in relation.columns}
    assert "s3" in samples["said"]
    assert "calm" in samples["mood"]


@pytest.mark.parametrize(
    ("table", "what"),
    [("hut", {"statistics", "indexes", "columns", "extended statistics"}), ("by_word_a", {"relations"})],
)
def test_for_ones_own_list_it_does(session: psycopg.Connection[Any], table: str, what: set[str]) -> None:
    """The twin: the same questions for plans that the server has just made do print the values."""
    assert what <= failed(facts(session, table, "own_list"))


def test_access_methods_of_a_users_own(session: psycopg.Connection[Any]) -> None:
    """Neither an index nor a table is opened whose access method's handler is not PostgreSQL's own."""
    for trust in ("file", "own_list"):
        crawling = facts(session, "by_snail", trust).relations[0].indexes[0]
        assert (crawling.definition == "...") is (trust == "file")
        assert (crawling.pages is None) is (trust == "file")
        heaped = facts(session, "heaped", trust).relations[0]
        assert (heaped.pages is None) is (trust == "file")


def test_a_plain_table_beside_them(snared: MatrixServer, session: psycopg.Connection[Any]) -> None:
    """With types of PostgreSQL's own nothing is lost but what the view of extended statistics would print beside it."""
    own, file = facts(session, "twin", "own_list"), facts(session, "twin", "file")
    assert file.relations[0].columns == own.relations[0].columns
    assert file.relations[0].indexes == own.relations[0].indexes
    assert {m.what for m in file.missing} >= {"extended statistics"}
    session.execute("drop statistics many")
    try:
        assert facts(session, "twin", "file").relations == own.relations
    finally:
        run_script(snared.dsn, "create statistics many (mcv) on word, id from hut; analyze hut")
