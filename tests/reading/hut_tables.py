"""The tables that the generator's statements read: a network of mountain huts, small enough to build in a second.

`create_tables(connection)` builds them in the schema `huts` of an empty database; the data is the same on every
server. Foreign tables come through file_fdw and postgres_fdw (a loop back to the same database) where the server has
them; `Extras` says what it has.
"""

from __future__ import annotations

from dataclasses import dataclass

import psycopg

TABLES = """
create schema huts;
set search_path = huts;
create table ridge(id int primary key, name text not null);
create table hut(id int primary key, ridge_id int not null references ridge, name text not null, bunks int not null,
  altitude int, place point, tags text[]);
create table guest(id int primary key, name text not null, country text, born date);
create table booking(id int primary key, hut_id int not null references hut, guest_id int not null references guest,
  night date not null, bunks int not null, price numeric(8,2), note text);
create table weather_log(id bigint, hut_id int not null, taken timestamp not null, temp real, wind int);
create table stay(id int, hut_id int, night date not null, bunks int) partition by range (night);
create table stay_spring partition of stay for values from ('2024-03-01') to ('2024-06-01');
create table stay_summer partition of stay for values from ('2024-06-01') to ('2024-09-01');
create table stay_autumn partition of stay for values from ('2024-09-01') to ('2024-12-01');
create table supply_flight(id int primary key, hut_id int, day date, kilos int, cargo xml, manifest jsonb);
create table "Hütte ""Nord"", (alt)"("Größe, m" int, "a.b" text);
create table change_log(what text, at timestamp default now());

insert into ridge select i, 'ridge ' || i from generate_series(1, 12) i;
insert into hut select i, i % 12 + 1, 'hut ' || i, 8 + i % 23, 1200 + (i * 37) % 2400, point(i % 40, i / 40),
  array['stove', 'well ' || i % 3] from generate_series(1, 300) i;
insert into guest select i, 'guest ' || i, case when i % 9 = 0 then null else 'c' || i % 14 end,
  date '1950-01-01' + (i * 11) % 20000 from generate_series(1, 1500) i;
insert into booking select i, (i * 7) % 300 + 1, (i * 13) % 1500 + 1, date '2024-03-01' + i % 270, 1 + i % 4,
  (i % 70) + 20.5, case when i % 5 = 0 then 'late, "vegetarian"' end from generate_series(1, 6000) i;
insert into weather_log select i, i % 300 + 1, timestamp '2024-03-01' + i * interval '7 min', (i % 40) - 10, i % 90
  from generate_series(1, 12000) i;
insert into stay select i, i % 300 + 1, date '2024-03-01' + i % 270, 1 + i % 4 from generate_series(1, 3000) i;
insert into supply_flight select i, i % 300 + 1, date '2024-03-01' + i % 90, 50 + i % 400, null,
  jsonb_build_object('crates', i % 7) from generate_series(1, 400) i;
insert into "Hütte ""Nord"", (alt)" select i, 'x' from generate_series(1, 50) i;

create index hut_ridge on hut(ridge_id);
create index hut_place on hut using gist(place);
create index guest_country on guest(country);
create index booking_hut on booking(hut_id);
create index booking_guest on booking(guest_id);
create index booking_night on booking(night);
create index weather_hut_taken on weather_log(hut_id, taken);
create index weather_wind on weather_log(wind);
create index stay_night on stay(night);
create index stay_hut on stay(hut_id);
create index flight_day on supply_flight(day);

create function few_nights(n int) returns setof date language sql stable rows 40 as
  $$ select distinct night from huts.booking where hut_id = n $$;
create function slow_name(n int) returns text language plpgsql volatile as $$ begin return 'hut ' || n; end $$;
create function log_flight() returns trigger language plpgsql as
  $$ begin insert into huts.change_log(what) values (tg_op || ' ' || new.id); return new; end $$;
create trigger note_flight after insert or update on supply_flight for each row execute function log_flight();
create function pass() returns trigger language plpgsql as $$ begin return null; end $$;
create trigger "odd: name, on x: time=1" after insert on ridge for each statement execute function pass();

-- A plan with a transition table exists only inside a trigger, so this one explains from there.
create table seen_plan(number serial, line text);
create function explain_new_guests() returns trigger language plpgsql as $$
declare plan text;
begin
  for plan in execute 'explain (' || current_setting('huts.options') || ')
      select n.name, b.night from new_guests n left join huts.booking b on b.guest_id = n.id' loop
    insert into huts.seen_plan(line) values (plan);
  end loop;
  return null;
end $$;
create trigger see_guests after insert on guest referencing new table as new_guests
  for each statement when (current_setting('huts.options', true) <> '') execute function explain_new_guests();
create function explain_inside(options text) returns setof text language plpgsql as $$
begin
  delete from huts.seen_plan;
  perform set_config('huts.options', options, true);
  insert into huts.guest select 100000 + i, 'new ' || i, 'c1', date '2000-01-01' from generate_series(1, 3) i;
  perform set_config('huts.options', '', true);
  return query select line from huts.seen_plan order by number;
end $$;
"""

LOADS = """
update huts.supply_flight set cargo = xmlparse(document '<load><item>gas</item><item>soup</item></load>')
"""
FOREIGN = """
create extension if not exists {name};
create server {name}_here foreign data wrapper {name} {options};
"""
FILE_TABLE = """
create foreign table huts.delivery(line text) server file_fdw_here
  options (program 'printf "a\\nb\\nc\\n"', format 'text');
"""
REMOTE_TABLES = """
create user mapping for current_user server postgres_fdw_here options (user '{user}');
create foreign table huts.far_hut(id int, ridge_id int, name text) server postgres_fdw_here
  options (schema_name 'huts', table_name 'hut');
create foreign table huts.far_booking(id int, hut_id int, night date) server postgres_fdw_here
  options (schema_name 'huts', table_name 'booking');
create table huts.stock(id int, hut_id int) partition by list (hut_id);
create table huts.stock_1 partition of huts.stock for values in (1);
create table huts.stock_base_2(id int, hut_id int);
create table huts.stock_base_3(id int, hut_id int);
insert into huts.stock_base_2 values (1, 2), (2, 2);
insert into huts.stock_base_3 values (3, 3);
create foreign table huts.stock_2 partition of huts.stock for values in (2) server postgres_fdw_here
  options (schema_name 'huts', table_name 'stock_base_2'{asynchronous});
create foreign table huts.stock_3 partition of huts.stock for values in (3) server postgres_fdw_here
  options (schema_name 'huts', table_name 'stock_base_3'{asynchronous});
"""


@dataclass(frozen=True)
class Extras:
    """What the server has besides the core: foreign data wrappers, just-in-time compilation, XML."""

    file_fdw: bool
    postgres_fdw: bool
    jit: bool
    xml: bool


def create_tables(connection: psycopg.Connection) -> Extras:
    """Build everything in the connection's database, which must be empty, and analyze it."""
    connection.autocommit = True
    connection.execute(TABLES.encode())
    major = connection.info.server_version // 10000
    here = {str(row[0]) for row in connection.execute("select name from pg_available_extensions").fetchall()}
    connection.execute("set jit = on")
    jit = connection.execute("select pg_jit_available()").fetchone() == (True,)
    connection.execute("reset jit")
    xml = _runs(connection, LOADS)
    if "file_fdw" in here:
        connection.execute((FOREIGN.format(name="file_fdw", options="") + FILE_TABLE).encode())
    if "postgres_fdw" in here:
        info = connection.info
        options = f"options (host '{info.host}', port '{info.port}', dbname '{info.dbname}')"
        script = FOREIGN.format(name="postgres_fdw", options=options)
        asynchronous = ", async_capable 'true'" if major >= 14 else ""
        script += REMOTE_TABLES.format(user=info.user, asynchronous=asynchronous)
        connection.execute(script.encode())
    connection.execute(b"vacuum analyze")
    return Extras("file_fdw" in here, "postgres_fdw" in here, jit, xml)


def _runs(connection: psycopg.Connection, statement: str) -> bool:
    try:
        connection.execute(statement.encode())
    except psycopg.errors.FeatureNotSupported:
        return False
    return True
