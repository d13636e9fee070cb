"""A database with an object of each kind that a stand-in takes over, and queries that read each of them.

Invented: huts, their guests and their stays.  The queries come in kinds, so that each kind is counted by itself.
"""

from __future__ import annotations

SCHEMA = """
create schema huts;
create type huts.grade as enum ('easy', 'fair', 'hard', 'severe');
create domain huts.email as text check (value like '%@%');
create table huts.hut (id int primary key, name text not null, altitude int not null, grade huts.grade not null,
  tags text[] not null, place point not null, note text);
insert into huts.hut select i, 'Hut ' || i, 900 + (i * 37) % 2400,
  (array['easy', 'fair', 'fair', 'hard', 'severe'])[1 + i % 5]::huts.grade,
  array['tag' || i % 7, 'tag' || i % 11, 'tag' || (i * i) % 23], point(i % 100, i % 77), repeat('n', i % 90)
  from generate_series(1, 3000) i;
create table huts.guest (id int not null, gone int, name varchar(40) not null, mail huts.email, born date,
  land text collate "C" not null, lower_name text generated always as (lower(name)) stored);
insert into huts.guest (id, gone, name, mail, born, land) select i, 1, 'Guest ' || i % 9000,
  'g' || i || '@huts.example', date '1940-01-01' + (i * 7919) % 25000,
  (array['Aldria', 'Brenta', 'Cimol', 'Dorva'])[1 + (i * i) % 4]
  from generate_series(1, 40000) i;
alter table huts.guest drop column gone;
alter table huts.guest add primary key (id);
create index guest_born on huts.guest (born desc);
create index guest_lower on huts.guest (lower(name));
create index guest_hash on huts.guest using hash (mail);
create index guest_old on huts.guest (id) where born < '1950-01-01';
create table huts.stay (id bigint not null, hut_id int not null references huts.hut, guest_id int not null,
  during daterange not null, nights int not null, price numeric(8,2), paid boolean, remark tsvector, extra jsonb,
  at timestamptz not null);
insert into huts.stay select i, 1 + (i * 31) % 3000, 1 + (i::bigint * i) % 40000,
  daterange(date '2024-01-01' + i % 700, date '2024-01-01' + i % 700 + 1 + i % 9), 1 + i % 9,
  case when i % 13 > 0 then (i % 500) * 1.25 end, i % 17 <> 0,
  to_tsvector('simple', 'word' || i % 300 || ' fog' || i % 5),
  jsonb_build_object('k', i % 40, 'w', 'v' || i % 7), timestamptz '2024-01-01 00:00+00' + i * interval '7 minutes'
  from generate_series(1, 120000) i;
alter table huts.stay add constraint stay_pkey primary key (id);
alter table huts.stay add constraint stay_guest foreign key (guest_id) references huts.guest;
create index stay_hut_nights on huts.stay (hut_id, nights) include (price);
create index stay_guest_id on huts.stay (guest_id);
create index stay_at on huts.stay using brin (at) with (pages_per_range = 16);
create index stay_price on huts.stay (price) where paid;
create index stay_during on huts.stay using gist (during);
create table huts.weather (hut_id int not null, day date not null, wind int, snow boolean)
  partition by range (day);
create table huts.weather_2024 partition of huts.weather for values from ('2024-01-01') to ('2025-01-01');
create table huts.weather_2025 partition of huts.weather for values from ('2025-01-01') to ('2026-01-01');
create table huts.weather_rest partition of huts.weather default;
insert into huts.weather select 1 + i % 300, date '2024-01-01' + i % 800, (i * 7) % 120, i % 6 = 0
  from generate_series(1, 60000) i;
create index weather_hut on huts.weather (hut_id, day);
create index weather_day on huts.weather (day);
create table huts.visit (id int, hut_id int, minutes int) partition by hash (hut_id);
create table huts.visit_0 partition of huts.visit for values with (modulus 3, remainder 0);
create table huts.visit_1 partition of huts.visit for values with (modulus 3, remainder 1);
create table huts.visit_2 partition of huts.visit for values with (modulus 3, remainder 2);
insert into huts.visit select i, i % 3000, i % 61 from generate_series(1, 30000) i;
create index visit_hut on huts.visit (hut_id);
create table huts.report (id int, hut_id int, words int);
create table huts.report_old (year int) inherits (huts.report);
insert into huts.report select i, i % 3000, i % 400 from generate_series(1, 9000) i;
insert into huts.report_old select i, i % 3000, i % 900, 2000 + i % 20 from generate_series(1, 15000) i;
create index report_hut on huts.report (hut_id);
create index report_old_hut on huts.report_old (hut_id);
create materialized view huts.busy as select hut_id, count(*) as stays from huts.stay group by hut_id;
create index busy_hut on huts.busy (hut_id);
create view huts.long_stay as select s.*, g.name from huts.stay s join huts.guest g on g.id = s.guest_id
  where s.nights > 6;
create table huts.spare (id int, word text);
create function huts.fee(nights int, base numeric) returns numeric language plpgsql immutable cost 40
  as 'begin return nights * base; end';
create function huts.open_huts(at int) returns table (id int, name text) language plpgsql stable rows 37
  as 'begin return query select h.id, h.name from huts.hut h where altitude > at; end';
vacuum analyze;
"""

EXTENDED = """
create statistics huts.guest_together (ndistinct, dependencies, mcv) on land, born from huts.guest;
create statistics huts.stay_together (ndistinct, dependencies) on nights, paid, hut_id from huts.stay;
create statistics huts.hut_together (mcv) on grade, altitude from huts.hut;
analyze;
"""
EXPRESSIONS = """
create statistics huts.stay_parts (mcv, ndistinct) on (nights % 3), (hut_id % 3), nights from huts.stay;
create statistics huts.stay_tens on (hut_id / 7) from huts.stay;
analyze;
"""
"""From 14 on."""

QUERIES: dict[str, tuple[str, ...]] = {
    "table": (
        "select * from huts.hut h join huts.stay s on s.hut_id = h.id where h.altitude > 3000",
        "select h.name, count(*) from huts.hut h join huts.stay s on s.hut_id = h.id group by h.name order by 2 desc",
        "select * from huts.guest g where not exists (select from huts.stay s where s.guest_id = g.id)",
        "select * from huts.stay a join huts.stay b on b.guest_id = a.guest_id and b.id < a.id where a.nights = 9",
        "select * from huts.stay s join huts.guest g on g.id = s.guest_id where s.id > 119900",
        "select * from huts.stay s join huts.guest g on g.id = s.guest_id where s.id < 40 order by g.name",
        "select g.land, avg(s.price) from huts.guest g left join huts.stay s on s.guest_id = g.id group by g.land",
        "select * from huts.stay where price is null and nights in (1, 5, 9)",
        "select * from huts.spare x join huts.hut h on h.id = x.id",
        "delete from huts.stay where guest_id in (select id from huts.guest where land = 'Dorva')",
        "update huts.stay s set paid = true from huts.guest g where g.id = s.guest_id and g.born < '1941-01-01'",
    ),
    "index": (
        "select * from huts.stay where hut_id = 17 and nights > 3",
        "select price from huts.stay where hut_id between 5 and 9",
        "select * from huts.guest where born > '2008-01-01' order by born desc limit 20",
        "select max(id), min(born) from huts.guest",
        "select * from huts.stay where guest_id = any(array[1, 5, 9, 400, 4000]) order by guest_id",
    ),
    "hash index": (
        "select * from huts.guest where mail = 'g77@huts.example'",
        "select * from huts.guest a join huts.guest b on b.mail = a.mail where a.id < 30",
    ),
    "partial index": (
        "select * from huts.stay where paid and price > 620",
        "select * from huts.stay where paid and price < 5 order by price",
        "select id from huts.guest where born < '1950-01-01' and id < 900",
    ),
    "expression index": (
        "select * from huts.guest where lower(name) = 'guest 77'",
        "select * from huts.guest g join huts.hut h on lower(g.name) = h.name",
        "select lower_name, count(*) from huts.guest where lower_name > 'guest 5' group by lower_name",
    ),
    "BRIN": (
        "select count(*) from huts.stay where at between '2024-03-01' and '2024-03-09'",
        "select * from huts.stay where at > '2025-06-30' and nights = 2",
    ),
    "GiST and ranges": (
        "select * from huts.stay where during && daterange('2024-05-01', '2024-05-04')",
        "select * from huts.stay where during @> date '2025-11-11'",
        "select * from huts.stay where during <@ daterange('2024-01-01', '2024-01-20')",
    ),
    "arrays, enums, domains": (
        "select * from huts.hut where tags @> array['tag3']",
        "select * from huts.hut where tags && array['tag3', 'tag10'] and grade = 'hard'",
        "select * from huts.hut where grade > 'fair' order by grade",
        "select * from huts.guest where mail > 'g39' and land = 'Cimol'",
    ),
    "documents": (
        "select * from huts.stay where remark @@ to_tsquery('simple', 'word7')",
        "select * from huts.stay where extra @> '{\"k\": 3}'",
        "select * from huts.stay where extra->>'w' = 'v3'",
    ),
    "partitions": (
        "select * from huts.weather where day = '2024-07-07'",
        "select * from huts.weather w join huts.hut h on h.id = w.hut_id where w.day > '2025-12-20'",
        "select hut_id, max(wind) from huts.weather group by hut_id",
        "select * from huts.weather w join huts.stay s on s.hut_id = w.hut_id and s.nights = 3 where w.wind > 118",
        "select * from huts.visit where hut_id = 7",
        "select * from huts.visit v join huts.hut h on h.id = v.hut_id where v.minutes = 60",
    ),
    "inheritance": (
        "select * from huts.report where hut_id = 12",
        "select * from only huts.report where words > 390",
        "select h.name, sum(r.words) from huts.report r join huts.hut h on h.id = r.hut_id group by h.name",
    ),
    "views": (
        "select * from huts.busy b join huts.hut h on h.id = b.hut_id where b.stays > 40",
        "select name, count(*) from huts.long_stay where hut_id < 100 group by name",
    ),
    "columns together": (
        "select * from huts.guest where land = 'Aldria' and born = '1950-03-04'",
        "select land, born, count(*) from huts.guest group by land, born",
        "select nights, paid, hut_id from huts.stay group by 1, 2, 3",
        "select * from huts.stay where nights = 3 and hut_id = 70 and paid",
        "select * from huts.hut h join huts.stay s on s.hut_id = h.id where grade = 'hard' and altitude = 937",
        "select * from huts.stay where nights % 3 = 1 and hut_id % 3 = 0",
        "select nights % 3, hut_id % 3, count(*) from huts.stay where hut_id / 7 = 4 group by 1, 2",
    ),
    "functions": (
        "select * from huts.stay where huts.fee(nights, price) > 1000",
        "select * from huts.open_huts(2000) o join huts.stay s on s.hut_id = o.id",
    ),
}
SWITCHES: tuple[tuple[str, ...], ...] = (
    (),
    ("enable_hashjoin",),
    ("enable_nestloop",),
    ("enable_mergejoin", "enable_hashjoin"),
    ("enable_seqscan",),
    ("enable_bitmapscan",),
)
