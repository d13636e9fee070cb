"""Relations, columns and indexes as read, against what the server's own functions and views say."""

from __future__ import annotations

import pytest

from rowreckon.catalog.facts import Catalog
from rowreckon.catalog.request import Trust

from .conftest import Session

JOIN = "select * from hut h join booking b on b.hut_id = h.id where h.region = 3 and b.nights < 9"


def test_sizes_are_the_servers(huts: Session) -> None:
    """Pages come from the file, the other counts from pg_class."""
    catalog = huts.facts(JOIN)
    assert {r.name for r in catalog.relations} == {"hut", "booking"}
    for relation in catalog.relations:
        told = huts.connection.execute(
            "select pg_relation_size(oid) / 8192, relpages, reltuples::float8, relallvisible from pg_class"
            " where oid = %s",
            (relation.oid,),
        ).fetchone()
        assert told == (relation.pages, relation.relpages, relation.reltuples, relation.relallvisible)
        for index in relation.indexes:
            pages = huts.value("select pg_relation_size(%s::oid) / 8192", index.oid)
            assert index.pages == pages
            assert index.definition == huts.value("select pg_get_indexdef(%s::oid)", index.oid)
    assert catalog.server_version == huts.connection.info.server_version
    assert catalog.missing == ()


def test_statistics_are_those_of_pg_stats(huts: Session) -> None:
    """Every row of pg_stats arrives, in the double that the planner makes of its float4; values only on request."""
    for with_values in (False, True):
        catalog = huts.facts(JOIN, with_values=with_values)
        rows = huts.connection.execute(
            "select tablename, attname, null_frac::float8, avg_width, n_distinct::float8, correlation::float8,"
            " most_common_freqs::float8[], array_length(histogram_bounds, 1), most_common_vals::text::text[]"
            " from pg_stats where schemaname = 'public' and tablename in ('hut', 'booking')"
        ).fetchall()
        assert len(rows) == 11
        for table, name, null_frac, width, distinct, correlation, freqs, bounds, values in rows:
            relation = catalog.relation(table, "public")
            assert relation is not None
            column = relation.column(name)
            assert column is not None
            (own,) = column.statistics
            assert (own.null_frac, own.avg_width, own.n_distinct) == (null_frac, width, distinct)
            assert (own.correlation, list(own.most_common_freqs)) == (correlation, freqs or [])
            assert (own.n_histogram, own.n_mcv) == (bounds or 0, len(freqs or []))
            assert own.most_common_vals == (tuple(values) if with_values and values else None)
            assert (own.histogram_bounds is not None) == (with_values and bounds is not None)


def test_settings_are_in_the_planners_units(huts: Session) -> None:
    """work_mem in kB, the cache in pages, switches as booleans, and what the session set counts."""
    huts.connection.execute("set work_mem = '3MB'; set effective_cache_size = '80MB'; set enable_sort = off")
    catalog = huts.facts(JOIN)
    assert catalog.setting("work_mem") == 3072
    assert catalog.setting("effective_cache_size") == 10240
    assert catalog.setting("enable_sort") is False
    assert catalog.setting("random_page_cost") == 4.0


def test_keys_of_a_table(huts: Session) -> None:
    """Primary, unique and foreign keys with their columns in the order of the key."""
    huts.run("""
      create table range_(a int, b int, c int, unique (b, a), primary key (c));
      create table peak(x int, y int);
      alter table peak add foreign key (y, x) references range_(b, a) not valid;
    """)
    peak = huts.facts("select * from peak").relation("peak")
    range_ = huts.facts("select * from range_").relation("range_")
    assert peak is not None
    assert range_ is not None
    (key,) = peak.foreign_keys
    assert (key.columns, key.referenced, key.referenced_columns, key.validated) == ((2, 1), range_.oid, (2, 1), False)
    assert {(k.primary, k.columns) for k in range_.unique_keys} == {(True, (3,)), (False, (2, 1))}


def test_types_tell_which_methods_they_permit(huts: Session) -> None:
    """Against pg_operator's own flags (planner facts: money and tsvector have no hash, xid no merge, point no =)."""
    huts.run("""
      create type slope as enum ('easy', 'steep');
      create domain altitude as numeric check (value > 0);
      create type spot as (m money, i int);
      create table gear(i int, t text, v varchar(9), m money, x xid, p point, j json, b jsonb, e slope, d altitude,
        ai int[], am money[], s spot, r int4range, bx box);
    """)
    gear = huts.facts("select * from gear").relation("gear")
    assert gear is not None
    told = {c.name: (c.hashable, c.mergejoinable) for c in gear.columns}
    assert told == {
        "i": (True, True), "t": (True, True), "v": (True, True), "m": (False, True), "x": (True, False),
        "p": (False, False), "j": (False, False), "b": (True, True), "e": (True, True), "d": (True, True),
        "ai": (True, True), "am": (False, True), "s": (False, True), "r": (True, True), "bx": (False, False),
    }  # fmt: skip


def test_index_keys(huts: Session) -> None:
    """Order, nulls, expressions with their statistics, included columns, predicates, operator classes, collations."""
    huts.run("""
      create table pass(id int, name text, height int, note text collate "C");
      insert into pass select i, 'pass ' || i, i % 100, 'n' || i from generate_series(1, 3000) i;
      create unique index pass_a on pass(height desc, id nulls first) include (name) where height > 10;
      create index pass_b on pass(lower(name), (height % 7));
      create index pass_c on pass(name text_pattern_ops);
      create index pass_d on pass(note collate "POSIX");
      create index pass_h on pass using hash (id);
      analyze pass;
    """)
    relation = huts.facts("select * from pass").relation("pass")
    assert relation is not None
    a, b, c, d, h = (relation.index(f"pass_{letter}") for letter in "abcdh")
    assert a is not None
    assert b is not None
    assert c is not None
    assert d is not None
    assert h is not None
    assert [(k.attnum, k.descending, k.nulls_first) for k in a.keys] == [(3, True, True), (1, False, True)]
    assert (a.included, a.predicate, a.unique) == ((2,), "(height > 10)", True)
    assert [(k.attnum, k.expression) for k in b.keys] == [(None, "lower(name)"), (None, "((height % 7))")]
    assert b.keys[1].statistics is not None
    assert b.keys[1].statistics.n_distinct == 7
    assert (c.keys[0].default_opclass, d.keys[0].default_opclass) == (False, True)
    assert (c.keys[0].collation, d.keys[0].collation) == (None, '"POSIX"')
    assert (h.access_method, h.can_order, h.height) == ("hash", False, None)


def test_heights_are_pageinspects(huts: Session) -> None:
    """The height solved from a startup cost is the fast root's level, for every kind of key and for 1 to 3 levels."""
    huts.run(
        """
      create table log(id int, hut int, entry text, day date);
      insert into log select i, i % 900, 'entry number ' || i, date '2020-01-01' + i % 999
        from generate_series(1, 20000) i;
      create index log_1 on log(id);
      create index log_2 on log(id, hut) with (fillfactor = 10);
      create index log_3 on log(repeat(entry, 40)) with (fillfactor = 10);
      create index log_4 on log(hut desc, day nulls first);
      create index log_5 on log(entry text_pattern_ops);
      create index log_6 on log(lower(entry), id) where hut > 100;
      create index log_7 on log(entry collate "POSIX" desc nulls last);
      create unique index log_8 on log(id, day) include (entry);
      create table empty_log(id int primary key);
      analyze log; analyze empty_log;
    """
    )
    asked: dict[str, int | None] = {}
    for table in ("log", "empty_log"):
        relation = huts.facts(f"select * from {table}").relation(table)
        assert relation is not None
        asked |= {i.name: i.height for i in relation.indexes}
        assert {i.height_known_by for i in relation.indexes} == {"explain"}
    if not huts.value("select count(*) from pg_available_extensions where name = 'pageinspect'"):
        pytest.skip("this server comes without pageinspect to compare with")
    huts.run("create schema tools; create extension pageinspect schema tools")
    try:
        told = {n: huts.value("select fastlevel from tools.bt_metap(%s)", n) for n in asked}
        assert asked == told
        assert {asked["log_1"], asked["log_2"], asked["empty_log_pkey"]} >= {0, 1}
        assert (asked["log_3"] or 0) >= 2
        # an extension's function is called for plans that this server has just made, never for those of a file
        ways: tuple[tuple[Trust, str], ...] = (("own_list", "pageinspect"), ("file", "explain"))
        for trust, way in ways:
            relation = huts.facts("select * from log", trust=trust).relation("log")
            assert relation is not None
            assert {i.name: (i.height, i.height_known_by) for i in relation.indexes} == {
                n: (level, way) for n, level in told.items() if n.startswith("log")
            }
    finally:
        huts.run("drop schema tools cascade")


def test_extended_statistics(huts: Session) -> None:
    """Kinds, columns and what ANALYZE found, which pg_stats_ext prints."""
    huts.run("""
      create table route(x int, y int, z int);
      insert into route select i % 50, (i % 50) / 5, i from generate_series(1, 20000) i;
      create statistics route_xy (ndistinct, dependencies, mcv) on x, y from route;
      create statistics route_new (ndistinct) on y, z from route;
      analyze route;
    """)
    relation = huts.facts("select * from route").relation("route")
    assert relation is not None
    new, known = sorted(relation.extended_statistics, key=lambda e: e.name)
    assert known.kinds == ("ndistinct", "dependencies", "mcv")
    assert (known.columns, known.built, new.built) == ((1, 2), True, True)
    assert [(g.columns, g.n_distinct) for g in known.n_distinct] == [((1, 2), 50)]
    assert {(d.determinant, d.dependent, d.degree) for d in known.dependencies} == {((1,), 2, 1.0)}
    assert len(known.most_common_freqs) == 50
    if huts.major >= 14:
        huts.run("create statistics route_e on (x % 10), (y + z) from route; analyze route")
        relation = huts.facts("select * from route").relation("route")
        assert relation is not None
        e = next(e for e in relation.extended_statistics if e.name == "route_e")
        assert e.expressions == ("(x % 10)", "(y + z)")
        assert {s.statistics.n_distinct for s in e.expression_statistics if s.expression == "(x % 10)"} == {10}


def test_round_trip_through_json(huts: Session) -> None:
    """The snapshot survives being written and read."""
    catalog = huts.facts(JOIN, with_values=True)
    assert Catalog.model_validate_json(catalog.model_dump_json()) == catalog
