"""Roles who see different things, and queries that each of them asks; the huts of the scene beside them.

Invented: a warden sees her own hut's guests, a clerk all of them but only some columns, the office everything.
"""

from __future__ import annotations

ROLES = ("huts_office", "huts_warden", "huts_night_warden", "huts_clerk", "huts_guard", "huts_keeper")
SCHEMA = """
create role huts_office nosuperuser;
create role huts_warden nosuperuser;
create role huts_night_warden nosuperuser in role huts_warden;
create role huts_clerk nosuperuser;
create role huts_guard nosuperuser bypassrls;
create role huts_keeper nosuperuser;
create schema house;
grant usage on schema house to public;
create table house.sleeper (id int primary key, hut_id int not null, name text not null, level int not null,
  secret text not null);
insert into house.sleeper select i, i % 700, 'Guest ' || (i * 7919) % 9001, i % 6,
  case when i % 9 = 0 then 'rare' else 'common' || i % 40 end from generate_series(1, 30000) i;
create index sleeper_hut on house.sleeper (hut_id);
create index sleeper_name on house.sleeper (name);
create table house.room (id int primary key, hut_id int not null, beds int not null);
insert into house.room select i, i % 700, 1 + i % 12 from generate_series(1, 5000) i;
create index room_hut on house.room (hut_id);
create table house.duty (warden text not null, hut_id int not null);
insert into house.duty select case when i % 3 = 0 then 'huts_warden' else 'warden' || i end, i
  from generate_series(0, 699) i;
create function house.quick(int) returns bool language plpgsql stable leakproof cost 3
  as 'begin return $1 > 3; end';
create function house.slow(int) returns bool language plpgsql stable cost 3 as 'begin return $1 > 3; end';
create view house.light_sleeper with (security_barrier) as select * from house.sleeper where level < 3;
create view house.crowded as select s.id, s.name, r.beds from house.sleeper s join house.room r using (hut_id)
  where r.beds > 10;
alter table house.sleeper owner to huts_keeper;
alter view house.crowded owner to huts_keeper;
grant select on house.room, house.duty, house.light_sleeper, house.crowded to public;
grant select, update, delete on house.sleeper to huts_office, huts_warden, huts_guard;
grant select (id, hut_id, level) on house.sleeper to huts_clerk;
alter table house.sleeper enable row level security;
create policy mine on house.sleeper to huts_warden
  using (hut_id in (select d.hut_id from house.duty d where d.warden = 'huts_warden'));
create policy low on house.sleeper as restrictive for select to huts_warden using (level < 5);
create policy all_of_it on house.sleeper to huts_office using (true) with check (level < 4);
create policy for_clerks on house.sleeper for select to huts_clerk using (house.slow(level) or hut_id < 90);
alter table house.room enable row level security;
alter table house.room force row level security;
create policy every_room on house.room using (beds < 12);
vacuum analyze;
"""

QUERIES: dict[str, tuple[str, ...]] = {
    "huts_office": (
        "select * from house.sleeper where name = 'Guest 77' and level = 2",
        "update house.sleeper set level = 1 where hut_id = 7",
        "select * from house.sleeper s join house.room r on r.hut_id = s.hut_id where s.secret = 'rare'",
    ),
    "huts_warden": (
        "select * from house.sleeper where secret = 'rare' and name > 'Guest 8'",
        "select count(*) from house.sleeper s join house.room r on r.hut_id = s.hut_id where r.beds = 11",
        "delete from house.sleeper where id between 40 and 90 and house.slow(level)",
    ),
    "huts_night_warden": (
        "select * from house.sleeper where secret = 'common7' and hut_id between 9 and 30",
        "select level, count(*) from house.sleeper group by level",
    ),
    "huts_clerk": (
        "select id, level from house.sleeper where hut_id = 77 and level = 3",
        "select hut_id, count(*) from house.sleeper where level > 4 group by hut_id",
        "select id from house.sleeper where house.quick(hut_id) and id < 5000",
    ),
    "huts_guard": (
        "select * from house.sleeper where secret = 'rare'",
        "select * from house.light_sleeper where house.slow(hut_id) and secret = 'rare'",
        "select * from house.light_sleeper where house.quick(hut_id) and name = 'Guest 5'",
        "select * from house.crowded where name = 'Guest 77'",
    ),
    "huts_keeper": (
        "select * from house.sleeper where hut_id = 6",
        "select * from house.room where beds = 3 and hut_id > 100",
        "select * from house.crowded c join house.duty d on d.hut_id = c.id",
    ),
}
"""By the role that asks."""
