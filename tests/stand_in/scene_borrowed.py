"""Columns of types that PostgreSQL's own extensions bring, and foreign tables through its two wrappers.

Invented: a harbour's boats, what they carry, and the log of another harbour.
"""

from __future__ import annotations

SCHEMA = """
create schema tools_too;
create extension citext with schema public;
create extension hstore with schema public;
create extension ltree with schema tools_too;
create extension cube with schema public;
create extension seg with schema public;
create extension isn with schema public;
create extension postgres_fdw with schema tools_too;
create extension file_fdw with schema tools_too;
create schema quay;
create table quay.boat (id int primary key, name public.citext not null, gear public.hstore,
  berth tools_too.ltree not null, hull public.cube not null, draught public.seg, book public.isbn13,
  crew public.citext[] not null);
insert into quay.boat select i,
  (case when i % 2 = 0 then 'BOAT ' else 'boat ' end || (i * 7919) % 5003)::public.citext,
  public.hstore(array['sail', 'n' || i % 30, 'net', 'm' || i % 7]),
  ('pier' || i % 12 || '.place' || i % 90)::tools_too.ltree, public.cube(array[i % 40, i % 11]),
  (i % 9 || ' .. ' || i % 9 + 3)::public.seg, ('978000000' || lpad((i % 900)::text, 3, '0') || '?')::public.isbn13,
  array['mate' || i % 50, 'MATE' || i % 20]::public.citext[]
  from generate_series(1, 9000) i;
create index boat_name on quay.boat (name);
create index boat_berth on quay.boat using gist (berth);
create index boat_berth_order on quay.boat (berth);
create index boat_gear on quay.boat using gin (gear);
create index boat_hull on quay.boat using gist (hull);
create index boat_book on quay.boat (book);
create server far foreign data wrapper postgres_fdw
  options (host 'no.such.harbour', fdw_startup_cost '130', fdw_tuple_cost '0.03', extensions 'citext, hstore');
create user mapping for public server far options (user 'nobody', password 'hidden');
create foreign table quay.far_log (boat_id int not null, day date, note text) server far options (table_name 'log');
create foreign table quay.far_port (id int, name public.citext) server far options (fetch_size '9');
update pg_class set relpages = 700, reltuples = 60000 where oid = 'quay.far_log'::regclass;
create server here foreign data wrapper file_fdw;
create foreign table quay.paper (boat_id int, day date, note text) server here
  options (filename '/etc/services', format 'csv');
create foreign table quay.told (boat_id int, note text) server here options (program 'true', format 'csv');
vacuum analyze quay.boat;
checkpoint;
"""

QUERIES: dict[str, tuple[str, ...]] = {
    "types of extensions": (
        "select * from quay.boat where name = 'boat 77'",
        "select * from quay.boat where name > 'boat 990' order by name",
        "select * from quay.boat where berth operator(tools_too.<@) 'pier3'",
        "select * from quay.boat where gear operator(public.@>) 'sail=>n4' and id < 9000",
        "select * from quay.boat where hull operator(public.&&) '(3,3),(9,9)'",
        "select a.id from quay.boat a join quay.boat b on a.name = b.name where b.book = '978000000004?'",
        "select berth, count(*) from quay.boat where draught is not null group by berth",
        "select * from quay.boat where crew operator(pg_catalog.@>) array['mate3']::public.citext[]",
    ),
    "foreign tables": (
        "select * from quay.far_log where day > '2026-01-01'",
        "select * from quay.boat b join quay.far_log l on l.boat_id = b.id where b.name = 'boat 77'",
        "select l.boat_id, count(*) from quay.far_log l join quay.far_port p on p.id = l.boat_id group by 1",
        "select * from quay.paper p join quay.boat b on b.id = p.boat_id",
        "select * from quay.told t join quay.boat b on b.id = t.boat_id where b.id < 50",
        "update quay.far_log set note = 'x' where boat_id = 7",
    ),
}
