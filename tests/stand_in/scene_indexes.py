"""Each kind of index that is no B-tree, and ranges, on a table of its own; queries that read each of them.

Invented: the log books of huts.  Some rows come after the table was vacuumed, and wait in the GIN indexes' lists.
"""

from __future__ import annotations

SCHEMA = """
create table huts.log (id int not null, tags text[] not null, words tsvector not null, extra jsonb not null,
  title text not null, place point not null, slot int4range, open daterange not null, code text not null,
  day date not null);
insert into huts.log select i, array['tag' || i % 7, 'tag' || i % 211, 'tag' || (i * i) % 1013],
  to_tsvector('simple', 'word' || i % 300 || ' fog' || i % 5 || ' rope' || (i * 31) % 4001),
  jsonb_build_object('k', i % 400, 'w', 'v' || i % 7), 'Title ' || (i * 7919) % 9001, point(i % 100, i % 77),
  case when i % 11 > 0 then int4range(i % 900, i % 900 + 1 + i % 50) end,
  daterange(date '2024-01-01' + i % 700, date '2024-01-01' + i % 700 + i % 9), 'c' || (i::bigint * i) % 3000,
  date '2024-01-01' + i / 30
  from generate_series(1, 20000) i;
create index log_tags on huts.log using gin (tags);
create index log_words on huts.log using gin (words);
create index log_extra on huts.log using gin (extra jsonb_path_ops);
create index log_keys on huts.log using gin (extra) where id > 5000;
create index log_code on huts.log using hash (code);
create index log_id on huts.log using hash (id);
create index log_place on huts.log using gist (place);
create index log_open on huts.log using gist (open);
create index log_title on huts.log using spgist (title);
create index log_slot on huts.log using spgist (slot);
create index log_day on huts.log using brin (day) with (pages_per_range = 4);
create index log_number on huts.log using brin (id);
vacuum analyze huts.log;
insert into huts.log select * from huts.log where id between 300 and 900;
checkpoint;
"""

MULTIRANGES = """
create table huts.season (id int not null, open datemultirange not null, numbers int8multirange);
insert into huts.season select i,
  datemultirange(daterange(date '2024-01-01' + i % 99, date '2024-01-02' + i % 99 + i % 20),
    daterange(date '2024-07-01' + i % 70, date '2024-07-03' + i % 70 + i % 100)),
  case when i % 5 > 0 then int8multirange(int8range(i % 1000, i % 1000 + 1 + i % 77)) end
  from generate_series(1, 9000) i;
create index season_open on huts.season using gist (open);
vacuum analyze huts.season;
"""
"""From 14 on."""

QUERIES: dict[str, tuple[str, ...]] = {
    "GIN": (
        "select * from huts.log where tags @> array['tag3']",
        "select * from huts.log where tags && array['tag3', 'tag99', 'tag1001']",
        "select count(*) from huts.log where tags @> '{}'",
        "select * from huts.log where words @@ to_tsquery('simple', 'word7 & fog1')",
        "select * from huts.log where words @@ to_tsquery('simple', 'rope1:*')",
        "select * from huts.log where extra @> '{\"k\": 3}'",
        "select * from huts.log where extra ? 'w' and id > 5500",
        "select * from huts.log a join huts.hut h on a.tags @> h.tags where h.id < 9",
    ),
    "hash": (
        "select * from huts.log where code = 'c7'",
        "select * from huts.log l join huts.hut h on h.id = l.id where h.altitude > 3000",
        "select * from huts.log a join huts.log b on b.code = a.code where a.day = '2024-05-05'",
    ),
    "GiST": (
        "select * from huts.log where place <@ box '((3,3),(9,9))'",
        "select * from huts.log order by place <-> point(5, 5) limit 9",
        "select * from huts.log where open && daterange('2024-05-01', '2024-05-04')",
        "select * from huts.log where open @> date '2025-02-02' and code = 'c9'",
    ),
    "SP-GiST": (
        "select * from huts.log where title = 'Title 77'",
        "select * from huts.log where title >= 'Title 88' and title < 'Title 9'",
        "select * from huts.log where slot && int4range(40, 60)",
        "select * from huts.log where slot <@ int4range(40, 60) and tags @> array['tag3']",
    ),
    "BRIN of one of two": (
        "select * from huts.log where day between '2024-03-01' and '2024-03-09'",
        "select * from huts.log where id < 400 order by day",
        "select count(*) from huts.log where day = '2024-03-01' and id > 40",
    ),
}
OF_MULTIRANGES: dict[str, tuple[str, ...]] = {
    "multiranges": (
        "select * from huts.season where open && datemultirange(daterange('2024-05-01', '2024-05-04'))",
        "select * from huts.season where open @> date '2024-08-08'",
        "select * from huts.season where numbers && int8range(40, 60)",
        "select * from huts.season where numbers << int8range(400, 600) and id < 700",
    ),
}
"""From 14 on."""
