"""A database of huts in which many things ring a bell: a lock that outlives a rolled-back, read-only transaction.

`rung_*` are volatile and ring; each `calm_*` beside them is the same without the bell.
"""

from __future__ import annotations

from typing import Final

BELL: Final = 4711

FUNCTIONS: Final = """
create function ring() returns void language plpgsql volatile as 'begin perform pg_advisory_lock(4711); end';
create function rung_int(int default 1) returns int language plpgsql volatile as 'begin perform ring(); return $1; end';
create function rung_text(text default '') returns text language plpgsql volatile as
  'begin perform ring(); return $1; end';
create function rung_bool(bool default true) returns bool language plpgsql volatile as
  'begin perform ring(); return $1; end';
create function rung_rows() returns setof int language plpgsql volatile as
  'begin perform ring(); return query select 1; end';
create function calm_int(int default 1) returns int language sql immutable as 'select $1';
create function calm_text(text default '') returns text language sql immutable as 'select $1';
create function calm_bool(bool default true) returns bool language sql immutable as 'select $1';
create function calm_rows() returns setof int language sql stable as 'select 1';
"""

SCHEMA: Final = (
    FUNCTIONS
    + """
create table huts(id int primary key, name text, beds int, open bool, doc jsonb, marks int[]);
insert into huts select i, 'hut ' || i, i % 30, true, '{"a": 1}', '{1,2}' from generate_series(1, 50) i;
create table trails(id int primary key, hut_id int references huts, name text);
insert into trails select i, i, 'trail ' || i from generate_series(1, 50) i;
analyze;
"""
)

POSITIONS: Final = (
    # every clause of SELECT
    "select {i}",
    "select {t} as a from huts",
    "select distinct on ({i}) id from huts",
    "select 1 from huts where {b}",
    "select count(*) from huts group by {i}",
    "select count(*) from huts group by grouping sets ((beds), ({i}))",
    "select count(*) from huts group by rollup ({i}), cube (beds, {i})",
    "select count(*) from huts having {b}",
    "select id from huts order by {i}",
    "select id from huts order by id limit {i}",
    "select id from huts order by id offset {i}",
    "select id from huts order by id fetch first ({i}) rows only",
    "select id from huts order by id fetch first ({i}) rows with ties",
    "values (1, {i})",
    "select * from (values ({i}), (2)) v(a)",
    "select 1 union all select {i}",
    "select 1 except (select {i} intersect select 2)",
    "with a as (select {i} as x) select * from a",
    "with a as materialized (select {i} as x) select 1 from huts",
    "with recursive a(n) as (select 1 union all select n + 1 from a where n < {i}) select * from a",
    "select h.id from huts h, lateral (select {i}) l",
    # joins, functions and samples in FROM
    "select 1 from huts h join trails t on t.hut_id = h.id and {b}",
    "select 1 from huts h left join trails t on t.id = {i}",
    "select * from generate_series(1, {i})",
    "select * from rows from (generate_series(1, {i}), generate_series(1, 2)) with ordinality",
    "select * from unnest(array[{i}], array[2])",
    "select * from {s}",
    "select 1 from huts tablesample bernoulli ({i})",
    "select 1 from huts tablesample system (100) repeatable ({i})",
    "select * from xmltable('/a' passing cast({x} as xml) columns b int path 'b')",
    "select * from xmltable('/a' passing ('<a/>'::xml) columns b int path 'b' default {i})",
    "select * from json_to_record({j}::json) as x(a int)",
    # windows
    "select sum(id) over (partition by {i}) from huts",
    "select sum(id) over (order by {i}) from huts",
    "select sum(id) over (order by id rows between {i} preceding and current row) from huts",
    "select sum(id) over (order by id rows between current row and {i} following) from huts",
    "select sum(id) over (order by id range between {i} preceding and {i} following) from huts",
    "select sum(id) over w from huts window w as (order by {i})",
    "select sum(id) filter (where {b}) over () from huts",
    # aggregates
    "select sum({i}) from huts",
    "select sum(id) filter (where {b}) from huts",
    "select string_agg(name, ',' order by {i}) from huts",
    "select percentile_cont(0.5) within group (order by {i}) from huts",
    "select percentile_disc({i} / 2.0) within group (order by id) from huts group by id",
    # expressions
    "select case when {b} then 1 end",
    "select case {i} when 1 then 2 end",
    "select case 1 when {i} then 2 else {i} end",
    "select coalesce(null, {i})",
    "select nullif({i}, 1)",
    "select greatest(1, {i}), least({i}, 2)",
    "select {i} + 1, - {i}",
    "select not {b} and true or {b}",
    "select {i} is null, {b} is true, {b} is not unknown",
    "select {i} is distinct from 1",
    "select 1 between 0 and {i}",
    "select 1 in (1, {i})",
    "select {i} in (select id from huts)",
    "select 1 = any (array[{i}])",
    "select 1 = all (select {i})",
    "select exists (select {i})",
    "select (select {i})",
    "select array(select {i})",
    "select array[[{i}], [2]]",
    "select (array[1, 2])[{i}]",
    "select marks[{i}:2] from huts",
    "select row({i}, 2) = row(1, 2)",
    "select (row({i}, 2)).f1",
    "select {n}::int",
    "select cast({i} as numeric(10, 2))",
    "select {t} like 'a%', 'a' like {t} escape '!'",
    "select {t} similar to 'a', {t} ilike 'b'",
    "select {t} collate \"C\" < 'b'",
    "select {t} || 'x'",
    "select now() at time zone {z}",
    "select extract(year from now() + {i} * interval '1 day')",
    "select substring({t} from {i} for 2), position({t} in 'b'), overlay('abc' placing {t} from 1)",
    "select trim(both {t} from 'a'), normalize({t})",
    "select concat(variadic array[{t}])",
    "select make_interval(days => {i})",
    "select xmlelement(name a, xmlattributes({i} as b), {t})",
    "select xmlforest({i} as a), xmlconcat(xmlelement(name b, {t}))",
    "select xmlpi(name a, {n}), xmlserialize(content xmlelement(name b, {i}) as text)",
    "select doc -> {t}, doc #>> array[{t}] from huts",
    "select (h).name || {t} from huts h",
    "select ctid from huts where ctid = ('(0,' || {i} || ')')::tid",
    # statements around a query
    "prepare p(int) as select $1; execute p({i})",
    "prepare p(int) as select {i} + $1; execute p(1)",
)
"""Statements with a place for an expression: {i} a number, {t} a text, {b} a truth value, {s} rows, {j} JSON, {x} XML,
{n} a number's text, {z} a time zone. Their clauses are those of the manual's reference page SELECT and its chapters
'Value Expressions', 'Table Functions', 'XML Functions' and 'JSON Functions'."""

NEWER: Final = {
    16: (
        "select json_object('a': {i}), json_array({i}, 2)",
        "select json_objectagg('a': {i}), json_arrayagg({i} order by {i}) from huts",
        "select {t} is json",
    ),
    17: (
        "select * from json_table('[1]', '$[*]' passing {i} as x columns (a int path '$' default {i} on empty))",
        "select json_value({j}::jsonb, '$.a' default {i} on error), json_exists(doc, '$.a' passing {i} as x) from huts",
        "select json_query(jsonb '1', '$'), json_scalar({i}), json_serialize(json_scalar({n}))",
    ),
}
"""Further ones that a release is the first to read."""

_CALLS: Final = {
    "i": "int()",
    "t": "text()",
    "b": "bool()",
    "s": "rows()",
    "j": "text('{\"a\": 1}')",
    "x": "text('<a/>')",
    "n": "text('1')",
    "z": "text('UTC')",
}
RUNG: Final = {place: f"rung_{call}" for place, call in _CALLS.items()}
CALM: Final = {place: f"calm_{call}" for place, call in _CALLS.items()}
