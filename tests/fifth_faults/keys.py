"""Join keys of several columns, and join keys of which few values make most of the rows."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

_FOREIGN: Final = (
    "PostgreSQL release notes 9.6 (use of foreign keys to infer column correlation);"
    " get_foreign_key_join_selectivity in src/backend/optimizer/path/costsize.c"
)
_SKEW: Final = (
    "eqjoinsel in src/backend/utils/adt/selfuncs.c: common values are matched, the rest is thought uniform;"
    " V. Leis et al., 'How Good Are Query Optimizers, Really?', PVLDB 9(3), 2015"
)

CRATES: Final = Fault(
    name="crates are numbered through all wineries, and joined by winery and number",
    code="multi_column_join_key",
    source=_FOREIGN,
    schema="""
create table crates (winery int not null, crate int not null, corks int not null, primary key (winery, crate));
insert into crates select i / 100, i, i % 30 from generate_series(0, 9999) i;
create table loads (id int primary key, winery int not null, crate int not null, carter_id int not null);
insert into loads select i, i % 10000 / 100, i % 10000, 1 + (i * 7) % 20000 from generate_series(1, 40000) i;
create table carters (id int primary key, horse text not null);
insert into carters select i, 'horse ' || i % 45 from generate_series(1, 20000) i;
analyze crates;
analyze loads;
analyze carters;
""",
    query="select count(*), sum(c.corks), min(k.horse) from loads l"
    " join crates c on c.winery = l.winery and c.crate = l.crate join carters k on k.id = l.carter_id",
    place=at("l", "c"),
    cure=("alter table loads add foreign key (winery, crate) references crates",),
    others={
        "a crate": "select * from crates where winery = 3 and crate = 333",
        "a horse": "select count(*) from carters where horse = 'horse 3'",
    },
)

FILES_OF_COURTS: Final = Fault(
    name="a file is known by court, year and number, and the number alone would do",
    code="multi_column_join_key",
    source=_FOREIGN,
    schema="""
create table files (court int not null, year int not null, number int not null, pages int not null,
  primary key (court, year, number));
insert into files select i / 500, 2000 + i / 100 % 20, i, i % 70 from generate_series(0, 11999) i;
create table letters (id int primary key, court int not null, year int not null, number int not null);
insert into letters select i, i % 12000 / 500, 2000 + i % 12000 / 100 % 20, i % 12000
  from generate_series(1, 36000) i;
create table stamps (letter_id int primary key, cents int not null);
insert into stamps select i, i % 80 from generate_series(1, 36000) i;
analyze files;
analyze letters;
analyze stamps;
""",
    query="select count(*), sum(f.pages), sum(s.cents) from letters l join files f"
    " on f.court = l.court and f.year = l.year and f.number = l.number join stamps s on s.letter_id = l.id",
    place=at("l", "f"),
    cure=("alter table letters add foreign key (court, year, number) references files",),
    others={
        "a file": "select * from files where court = 3 and year = 2015 and number = 1501",
        "dear stamps": "select count(*) from stamps where cents > 78",
    },
)

ECHOES: Final = Fault(
    name="buoys that call often answer often, past two lists of ten",
    code="join_key_skew",
    source=_SKEW,
    schema="""
create table buoy_calls (id int primary key, buoy int not null);
insert into buoy_calls
  select i, case when i <= 1700 then i % 10 when i <= 5300 then 100 + i % 30 else 10000 + i end
  from generate_series(1, 10500) i;
create table buoy_answers (id int primary key, buoy int not null);
insert into buoy_answers
  select i, case when i <= 1700 then 50 + i % 10 when i <= 5300 then 100 + i % 30 else 30000 + i end
  from generate_series(1, 10500) i;
alter table buoy_calls alter column buoy set statistics 10;
alter table buoy_answers alter column buoy set statistics 10;
create table tides (answer_id int primary key, height int not null);
insert into tides select i, i % 50 from generate_series(1, 10500) i;
analyze buoy_calls;
analyze buoy_answers;
analyze tides;
""",
    query="select count(*), max(t.height) from buoy_calls c join buoy_answers a on a.buoy = c.buoy"
    " join tides t on t.answer_id = a.id",
    place=at("c", "a"),
    cure=(
        "alter table buoy_calls alter column buoy set statistics 200",
        "alter table buoy_answers alter column buoy set statistics 200",
        "analyze buoy_calls",
        "analyze buoy_answers",
    ),
    others={
        "a call": "select * from buoy_calls where id = 3",
        "high tides": "select count(*) from tides where height > 48",
    },
    also_right=frozenset({"column_target_too_low"}),
)

TWINS_OF_NAMES: Final = Fault(
    name="forty fabrics are both bought and sewn often, after such as are only bought or only sewn",
    code="join_key_skew",
    source=_SKEW,
    schema="""
create table bought (id int primary key, fabric text not null);
insert into bought
  select i, case when i <= 3750 then 'bought ' || i % 25 when i <= 7750 then 'both ' || i % 40 else 'shop ' || i end
  from generate_series(1, 19750) i;
create table sewn (id int primary key, fabric text not null);
insert into sewn
  select i, case when i <= 3750 then 'sewn ' || i % 25 when i <= 7750 then 'both ' || i % 40 else 'loft ' || i end
  from generate_series(1, 19750) i;
alter table bought alter column fabric set statistics 25;
alter table sewn alter column fabric set statistics 25;
create table needles (sewn_id int primary key, gauge int not null);
insert into needles select i, i % 9 from generate_series(1, 19750) i;
analyze bought;
analyze sewn;
analyze needles;
""",
    query="select n.gauge, count(*) from bought b join sewn s on s.fabric = b.fabric"
    " join needles n on n.sewn_id = s.id group by n.gauge",
    place=at("b", "s"),
    cure=(
        "alter table bought alter column fabric set statistics 500",
        "alter table sewn alter column fabric set statistics 500",
        "analyze bought",
        "analyze sewn",
    ),
    others={
        "a fabric": "select count(*) from bought where fabric = 'both 7'",
        "sewn": "select * from sewn where id = 3",
    },
    also_right=frozenset({"column_target_too_low"}),
)

FAULTS: Final = (CRATES, FILES_OF_COURTS, ECHOES, TWINS_OF_NAMES)
