"""Schemas of a trail club for the tests: one made at once, and one that comes about by migrations."""

from __future__ import annotations

RICH = """
create schema huts;
create schema "Trail Log";
create type huts.grade as enum ('easy', 'hard');
create domain huts.code as text check (value <> '');
create table huts.ranges (
    id int primary key, name text not null, code huts.code, elevation numeric(6, 1), opened date, seen timestamptz(3),
    at_noon time, stay interval, tags text[], photo bytea, letter char(3), flag "char", bits bit varying(5),
    level huts.grade, plain varchar, one char
);
create table huts.huts (
    id bigserial, range_id int not null references huts.ranges, name varchar(40) collate "C" not null,
    beds smallint check (beds > 0), open tstzrange, place point, note text,
    constraint huts_pk primary key (id),
    constraint huts_name_once unique (name, range_id) include (beds) with (fillfactor = 71) deferrable,
    exclude using gist (open with &&) where (beds > 10)
) with (fillfactor = 85, autovacuum_enabled = off, parallel_workers = 3);
alter table huts.huts alter column name set statistics 250, alter column note set statistics 0,
    alter column range_id set (n_distinct = -0.25, n_distinct_inherited = 40);
create unlogged table huts.visits (
    id bigint generated always as identity, hut_id bigint, guest text, came date not null, left_on date,
    foreign key (hut_id) references huts.huts (id) on delete cascade
);
create unique index visits_once on huts.visits (lower(guest) collate "C" text_pattern_ops desc nulls last, came)
    where left_on is null and came > '2020-01-01';
create index on huts.visits (came desc) include (guest) with (fillfactor = 60);
create index on huts.visits using brin (came);
create index on huts.visits using hash (guest);
create index visits_gist on huts.huts using gist (place);
create statistics huts.visits_both (ndistinct, dependencies) on hut_id, came from huts.visits;
create statistics "Trail Log".visits_all on hut_id, guest, left_on from huts.visits;
create table "Trail Log"."Report" (
    "Id" int, day date not null, "Mood" text, hut_id bigint references huts.huts, primary key ("Id", day)
) partition by range (day);
create table "Trail Log".report_old partition of "Trail Log"."Report" for values from ('2020-01-01') to ('2024-01-01');
create table "Trail Log".report_new partition of "Trail Log"."Report" for values from ('2024-01-01') to ('2028-01-01')
    partition by hash ("Id");
create table "Trail Log".report_new_1 partition of "Trail Log".report_new for values with (modulus 1, remainder 0);
create index "Mood of day" on "Trail Log"."Report" ("Mood", day);
create index on "Trail Log".report_old (hut_id);
create table huts.base (id int not null, weight real);
create table huts.heir (extra jsonb, unique (extra, id) initially deferred) inherits (huts.base);
create index on huts.heir using gin (extra jsonb_path_ops);
create view huts.open_huts as select id, name from huts.huts where beds > 0;
create materialized view huts.busy as select hut_id, count(*) as n from huts.visits group by 1;
create unique index on huts.busy (hut_id);
alter table huts.visits enable row level security;
create function huts.near(at point, how_far double precision default 5, out id bigint, out name text)
    returns setof record language sql stable parallel safe rows 12 cost 30 as 'select id, name from huts.huts';
create function huts.twice(n int) returns int language sql immutable strict as $$ select n * 2 $$;
create function huts.names(variadic which int[]) returns table (name text) language plpgsql
    as $f$ begin return query select name::text from huts.huts; end; $f$;
create index twice_beds on huts.huts (huts.twice(beds::int));
insert into huts.ranges (id, name) select n, 'it''s \\ ' || n from generate_series(1, 50) n;
insert into huts.visits (guest, came, left_on) select 'guest ' || n % 70, d, d + 1
    from generate_series(1, 3000) n, lateral (select date '2024-01-01' + n % 90) as day (d);
"""

FROM_14 = """
create statistics huts.of_expression on lower(guest), (came - left_on) from huts.visits;
create function huts.atomic(n int) returns int language sql
    begin atomic select n; select case when n > 0 then 1 else 2 end; end;
create index parted_only on only "Trail Log"."Report" (hut_id, day);
"""

FROM_15 = """
create table huts.keys (a int, b int, unique nulls not distinct (a, b));
"""

MIGRATIONS = (
    """
    create schema club;
    create table club.members (id serial primary key, name text, email text unique, joined date);
    create table club.trips (id int, leader int references club.members (id), starts date not null, title text,
        distance numeric, primary key (id, starts)) partition by range (starts);
    create table club.trips_1 partition of club.trips for values from ('2020-01-01') to ('2021-01-01');
    create index on club.trips (leader, title);
    create index trips_title on club.trips (lower(title)) where title is not null;
    create statistics club.members_s on name, joined from club.members;
    create table club.fees (id int primary key, member int references club.members, amount int, paid date);
    create unique index fees_once on club.fees (member, paid) include (amount);
    """,
    """
    set search_path to club, public;
    begin;
    alter table members add column town text not null default 'x', add column if not exists name text,
        add constraint town_joined unique (town, joined);
    alter table members alter column joined set not null, alter column name set statistics 40;
    create index concurrently_like on members (town, name desc nulls last);
    create table trips_2 (like trips including indexes);
    alter table trips attach partition trips_2 for values from ('2021-01-01') to ('2022-01-01');
    create table trips_3 (id int not null, leader int, starts date not null, title text, distance numeric);
    create index own_leader on trips_3 (leader, title);
    alter table trips_3 add constraint own_key primary key (id, starts);
    alter table only trips attach partition trips_3 for values from ('2022-01-01') to ('2023-01-01');
    commit;
    """,
    """
    alter table club.members rename column name to full_name;
    alter table club.trips rename column title to heading;
    alter table club.trips rename to journeys;
    alter index club.fees_once rename to fees_one;
    alter table club.members rename constraint members_pkey to members_key;
    alter table club.members drop constraint members_email_key;
    alter table club.members drop column joined;
    drop index club.concurrently_like;
    alter table club.journeys drop column leader;
    create unique index fees_amount on club.fees (amount);
    alter table club.fees add constraint fees_by_amount unique using index fees_amount;
    alter table club.fees alter column amount type bigint, alter paid set default now();
    """,
    """
    create schema archive;
    alter table club.fees drop constraint fees_pkey;
    alter table club.fees alter id drop not null;
    alter table club.fees set schema archive;
    alter table club.journeys detach partition club.trips_3;
    alter table club.trips_3 rename to old_journeys;
    alter table archive.fees set (fillfactor = 70), alter amount set (n_distinct = 12);
    alter table archive.fees reset (fillfactor);
    create table club.scratch (a int primary key, b int);
    create index on club.scratch (b);
    create index on club.scratch (b);
    drop table club.scratch;
    create table club.scratch as select 1 as c;
    alter table club.scratch rename to scraps;
    create table club.very_long_name_of_a_table_that_goes_on_and_on_without_end_at_all
        (a_rather_long_column_name int, another_rather_long_column_name int,
        unique (a_rather_long_column_name, another_rather_long_column_name));
    create index on club.very_long_name_of_a_table_that_goes_on_and_on_without_end_at_all
        (another_rather_long_column_name, (a_rather_long_column_name + 1), (a_rather_long_column_name - 1));
    alter schema archive rename to vault;
    create index on club.members ((coalesce(town, full_name)), upper(town));
    """,
)
"""Plain SQL as a migration tool keeps it, in the order in which it is applied."""
