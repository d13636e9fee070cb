"""Calls that a statement's text does not show, each with a twin of the same shape that only reads.

Each case makes its objects twice, with RING and CALL replaced: once by what rings the bell, once by what is calm.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from tests.server.judging.scenes import FUNCTIONS


@dataclass(frozen=True)
class Hidden:
    """`setup` makes the objects in the schema of the case (first in its search path); `text` is the list that is run;
    `least` is the first release that has what is needed."""

    name: str
    setup: str
    text: str
    least: int = 13
    permitted: tuple[str, ...] = ()


# what stands for NOISY in a setup: kind_int, kind_text, kind_bool, kind_rows
NOISY: Final = "rung"
CALM: Final = "calm"

CASES: Final = (
    Hidden("view", "create view v as select @_text(name) as n from huts", "select * from v"),
    Hidden(
        "view of a view",
        "create view v as select @_int(id) as n from huts; create view w as select count(*) from v",
        "select * from w",
    ),
    Hidden("view, only its name in a subquery", "create view v as select @_int(1)", "select exists (select from v)"),
    Hidden(
        "body of SQL",
        "create function f(int) returns int language sql stable as 'select @_int($1)'",
        "select f(id) from huts",
    ),
    Hidden(
        "body of SQL below a body of SQL",
        "create function f(int) returns int language sql immutable as 'select @_int($1)';"
        "create function g(int) returns int language sql stable as 'select f($1) + 1'",
        "select g(id) from huts",
    ),
    Hidden(
        "body between BEGIN ATOMIC and END",
        "create function f(a int) returns int language sql stable begin atomic select @_int(a); end",
        "select f(1)",
        14,
    ),
    Hidden(
        "default of an argument",
        "create function f(a int default @_int(3)) returns int language sql stable as 'select a'",
        "select f()",
    ),
    Hidden(
        "overload that the constants choose",
        "create function f(int) returns int language sql immutable as 'select $1';"
        "create function f(text) returns text language sql stable as 'select @_text($1)'",
        "select f('x'::text)",
    ),
    Hidden(
        "function of a row, written as its column",
        "create function noted(huts) returns text language sql stable as 'select @_text($1.name)'",
        "select h.noted from huts h",
    ),
    Hidden(
        "function of a row, written behind brackets",
        "create function noted(huts) returns text language sql stable as 'select @_text($1.name)'",
        "select (h).noted from huts h",
    ),
    Hidden(
        "operator",
        "create operator === (leftarg = int, rightarg = int, function = @_same)",
        "select * from huts where id === 1",
    ),
    Hidden(
        "operator named with its schema",
        "create operator === (leftarg = int, rightarg = int, function = @_same)",
        "select * from huts where id operator(here.===) 1",
    ),
    Hidden("operator of one side", "create operator !! (rightarg = int, function = @_int)", "select !! id from huts"),
    Hidden(
        "operator in a quantified comparison",
        "create operator === (leftarg = int, rightarg = int, function = @_same)",
        "select 1 === any (array[1, 2]), 1 === all (select id from huts)",
    ),
    Hidden(
        "equality that shadows the server's own, first in the search path",
        "create operator = (leftarg = int, rightarg = int, function = @_same)",
        "set search_path = here, pg_catalog, public; select * from huts h join trails t using (id)",
    ),
    Hidden(
        "function that shadows the server's own, first in the search path",
        "create function lower(text) returns text language sql stable as 'select public.@_text($1)'",
        "set search_path = here, pg_catalog, public; select lower(name) from huts",
    ),
    Hidden(
        "type that shadows the server's own, first in the search path",
        "create domain int8 as int check (public.@_bool())",
        "set search_path = here, pg_catalog, public; select '1'::here.int8",
    ),
    Hidden("domain", "create domain d as int check (@_bool(value > 0))", "select 1::d"),
    Hidden("domain of a domain", "create domain c as int check (@_bool()); create domain d as c", "select 1::d"),
    Hidden("domain in an array", "create domain d as int check (@_bool())", "select '{1,2}'::d[]"),
    Hidden(
        "domain in a row",
        "create domain d as int check (@_bool()); create type pair as (a int, b d)",
        "select '(1,2)'::pair",
    ),
    Hidden(
        "domain in a table's row, filled from JSON",
        "create domain d as int check (@_bool()); create table pairs(a int, b d)",
        "select * from jsonb_populate_record(null::pairs, '{\"b\": 1}')",
    ),
    Hidden(
        "domain of a column, filled from a row of the table",
        "create domain d as int check (@_bool()); create table pairs(a int, b d)",
        "select jsonb_populate_record(p, '{\"b\": 1}') from (select * from pairs union all select 1, 2::int) p",
    ),
    Hidden(
        "domain as a record's column",
        "create domain d as int check (@_bool())",
        "select * from json_to_record('{\"a\": 1}') as x(a d)",
    ),
    Hidden(
        "domain as an argument",
        "create domain d as int check (@_bool());"
        "create function f(d) returns int language sql immutable as 'select 1'",
        "select f(1)",
    ),
    Hidden(
        "domain as a prepared statement's argument",
        "create domain d as int check (@_bool())",
        "prepare p(d) as select $1; execute p(1)",
    ),
    Hidden(
        "array of a domain beside a constant",
        "create domain d as int check (@_bool()); create table lists(marks d[])",
        "select * from lists where marks = '{1}'",
    ),
    Hidden("type(value)", "create domain d as int check (@_bool())", "select d(1)"),
    Hidden(
        "cast taken unasked",
        "create type token as (a int); create function to_text(token) returns text language sql immutable as"
        " 'select @_text()'; create cast (token as text) with function to_text(token) as implicit;"
        "create table held(t token)",
        "select length(t) from held",
    ),
    Hidden(
        "cast that is asked for",
        "create type token as (a int); create function to_int(token) returns int language sql immutable as"
        " 'select @_int()'; create cast (token as int) with function to_int(token)",
        "select row(1)::token::int",
    ),
    Hidden(
        "aggregate",
        "create function step(int, int) returns int language sql immutable as 'select @_int($2)';"
        "create aggregate most(int) (sfunc = step, stype = int)",
        "select most(id) from huts",
    ),
    Hidden(
        "end of an aggregate, over a window",
        "create function done(int) returns int language sql immutable as 'select @_int($1)';"
        "create aggregate most(int) (sfunc = int4larger, stype = int, finalfunc = done)",
        "select most(id) over (order by id) from huts",
    ),
    Hidden(
        "operator class",
        "create type token as (a int);"
        "create function token_less(token, token) returns bool language sql immutable as 'select $1.a < $2.a';"
        "create function token_same(token, token) returns bool language sql immutable as 'select $1.a = $2.a';"
        "create function token_cmp(token, token) returns int language sql immutable as 'select @_int($1.a - $2.a)';"
        "create operator < (leftarg = token, rightarg = token, function = token_less, commutator = >);"
        "create operator = (leftarg = token, rightarg = token, function = token_same, commutator = =);"
        "create operator class token_ops default for type token using btree as operator 1 <, operator 3 =,"
        " function 1 token_cmp;"
        "create table held(t token)",
        "select t from held order by t",
    ),
    Hidden(
        "operator class for a type that has none, met as a function's result alone",
        "create function json_less(json, json) returns bool language sql immutable as 'select $1::text < $2::text';"
        "create function json_same(json, json) returns bool language sql immutable as 'select $1::text = $2::text';"
        "create function json_cmp(json, json) returns int language sql immutable as 'select public.@_int(0)';"
        "create operator < (leftarg = json, rightarg = json, function = json_less);"
        "create operator = (leftarg = json, rightarg = json, function = json_same);"
        "create operator class json_ops default for type json using btree as operator 1 <, operator 3 =,"
        " function 1 json_cmp",
        "select to_json(id) from huts order by 1",
    ),
    Hidden(
        "operator class for a type that has none, met as an operator's result alone",
        "create function point_less(point, point) returns bool language sql immutable as 'select $1[0] < $2[0]';"
        "create function point_same(point, point) returns bool language sql immutable as 'select $1[0] = $2[0]';"
        "create function point_cmp(point, point) returns int language sql immutable as 'select public.@_int(0)';"
        "create operator < (leftarg = point, rightarg = point, function = point_less);"
        "create operator = (leftarg = point, rightarg = point, function = point_same);"
        "create operator class point_ops default for type point using btree as operator 1 <, operator 3 =,"
        " function 1 point_cmp; create table ways(a lseg, b lseg)",
        "select a # b from ways order by a # b",
    ),
    Hidden(
        "policy",
        "create table closed(id int); alter table closed enable row level security;"
        "create policy p on closed using (@_bool(id > 0))",
        "select * from closed",
    ),
    Hidden(
        "policy below a view",
        "create table closed(id int); alter table closed enable row level security;"
        "create policy p on closed using (@_bool(id > 0)); create view v as select * from closed",
        "select * from v",
    ),
    Hidden(
        "index expression",
        "create function f(int) returns int language sql immutable as 'select public.@_int($1)';"
        "create table listed(id int); create index on listed (f(id))",
        "select * from listed",
    ),
    Hidden(
        "condition of an index",
        "create function f(int) returns bool language sql immutable as 'select public.@_bool($1 > 0)';"
        "create table listed(id int); create index on listed (id) where f(id)",
        "select * from listed where id = 3",
    ),
    Hidden(
        "check that is declared immutable",
        "create function f(int) returns bool language sql immutable as 'select public.@_bool($1 > 0)';"
        "create table listed(id int check (f(id)))",
        "select * from listed",
    ),
    Hidden(
        "expression of extended statistics",
        "create function f(int) returns int language sql immutable as 'select public.@_int($1)';"
        "create table listed(id int, b int); create statistics s on (f(id)), b from listed",
        "select * from listed",
        14,
    ),
    Hidden(
        "view below a partitioned table's name",
        "create table parts(id int) partition by range (id); create table part1 partition of parts for values from (0)"
        " to (100); alter table parts enable row level security; create policy p on parts using (@_bool())",
        "select * from parts",
    ),
    Hidden(
        "bounds of a range",
        "create function gap(float8, float8) returns float8 language sql immutable as"
        " 'select @_int()::float8';"
        "create type span as range (subtype = float8, subtype_diff = gap)",
        "select '[1,2]'::span",
    ),
    Hidden("trigger", "create table log(a int); create trigger t before insert on log execute function @_trigger()",
           "insert into log values (1)", permitted=("writes",)),
    Hidden("default of a column", "create table log(a int, b int default @_int())",
           "insert into log(a) values (1)", permitted=("writes",)),
    Hidden("rule", "create table log(a int); create rule r as on insert to log do also select @_int()",
           "insert into log values (1)", permitted=("writes",)),
    Hidden("check of a table that is written to", "create table log(a int check (@_bool()))",
           "insert into log values (1)", permitted=("writes",)),
    Hidden("trigger of a table that a delete reaches",
           "create table log(a int primary key); create table line(a int references log on delete cascade);"
           "create trigger t before delete on line execute function @_trigger()",
           "delete from log", permitted=("writes",)),
    Hidden("set in an upsert", "create table log(a int primary key, b int)",
           "insert into log values (1, 2) on conflict (a) do update set b = @_int()", permitted=("writes",)),
    Hidden("returning", "create table log(a int)", "insert into log values (1) returning @_int(a)",
           permitted=("writes",)),
    Hidden("action of a merge", "create table log(a int)",
           "merge into log using huts on log.a = huts.id when not matched then insert values (@_int())",
           15, permitted=("writes",)),
    Hidden("table made from a query", "", "create table made as select @_int()", permitted=("writes",)),
)  # fmt: skip

HELPERS: Final = (
    FUNCTIONS
    + """
create function rung_same(int, int) returns bool language plpgsql volatile as
  'begin perform ring(); return $1 = $2; end';
create function calm_same(int, int) returns bool language sql immutable as 'select $1 operator(pg_catalog.=) $2';
create function rung_trigger() returns trigger language plpgsql volatile as 'begin perform ring(); return new; end';
create function calm_trigger() returns trigger language plpgsql stable as 'begin return new; end';
"""
)
"""Functions for the cases' operators and triggers."""

ACTING: Final = (
    ("select table_to_xml('v', true, true, '')", "select xmlelement(name a, count(*)) from huts"),
    ("select query_to_xml('select rung_int()', true, true, '')", "select 'select rung_int()'"),
    ("select schema_to_xml('public', true, true, '')", "select to_regnamespace('public')"),
    ("select * from ts_stat('select to_tsvector(rung_text())')", "select to_tsvector('a')"),
    ("select pg_advisory_lock(4711)", "select pg_blocking_pids(1)"),
    ("select set_config('transaction_read_only', 'off', true)", "select current_setting('transaction_read_only')"),
    ("select pg_terminate_backend(0)", "select pg_backend_pid()"),
    ("select nextval('numbers')", "select last_value from numbers"),
    ("select pg_notify('a', 'b')", "select pg_listening_channels()"),
    ("select lo_creat(1)", "select count(*) from pg_largeobject_metadata"),
    ("select pg_read_file('PG_VERSION')", "select version()"),
    ("select pg_stat_reset()", "select pg_stat_get_db_numbackends(1)"),
    ("select domain_in('1', 'noisy'::regtype::oid, -1)", "select 'noisy'::regtype::oid"),
    ("select array_in('{1}', 'noisy'::regtype::oid, -1)", "select int4in('1')"),
    ("select * from outside", "select count(*) from pg_foreign_table"),
    ("select count(*) from above_outside", "select 1"),
)
"""What PostgreSQL's own functions, and tables that are elsewhere, can do; each beside something near it that reads."""

SQL_16: Final = (("select pg_input_is_valid('1', 'noisy')", "select 1::int"),)

ACTING_SETUP: Final = """
create view v as select rung_int();
create sequence numbers;
create domain noisy as int check (rung_bool());
create foreign data wrapper nowhere;
create server beyond foreign data wrapper nowhere;
create foreign table outside(a int) server beyond;
create table above_outside(a int);
create foreign table part_of_it() inherits (above_outside) server beyond;
"""
