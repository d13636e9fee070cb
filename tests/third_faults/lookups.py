"""Indexes: those that a join lacks, and those that lure it into a nested loop."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

from .tables import NO_STATISTICS, PASSENGERS, PLANTS, PLAYERS, TAPES, others

_MISSING: Final = (
    Fault(
        name="tracks have no index on the broadcast that they belong to",
        code="missing_join_index",
        source="PostgreSQL documentation, 'Foreign Keys': an index on the referencing columns is often a good idea"
        " and is not made by itself",
        schema=f"""{TAPES}
create table broadcasts (id int primary key, tape_id int, aired date);
insert into broadcasts select i, 1 + i * 7 % 20000, date '2025-01-01' + i / 10 from generate_series(1, 10000) i;
create index broadcasts_aired on broadcasts (aired);
create table tracks (id int primary key, broadcast_id int not null, title text);
insert into tracks select i, 1 + i * 17 % 10000, repeat(md5(i::text), 2) from generate_series(1, 60000) i;
alter table tracks add foreign key (broadcast_id) references broadcasts;
analyze broadcasts;
analyze tracks;
""",
        query="select count(*), max(k.title) from broadcasts b join tracks k on k.broadcast_id = b.id"
        " where b.aired = date '2025-06-10'",
        place=at("b", "k"),
        cure=("create index on tracks (broadcast_id)", "analyze tracks"),
        others=others("broadcasts", "tape_id", "tapes", "tracks"),
        never_first=NO_STATISTICS,
        measure="pages",
    ),
    Fault(
        name="an index on the sensor alone fetches two hundred readings to keep one",
        code="missing_join_index",
        source="PostgreSQL documentation, 'Multicolumn Indexes': an equality on the leading columns, then the next"
        " column bounds the part of the index that is read",
        schema=f"""{PLANTS}
create table sensors (id int primary key, plant_id int, house int);
insert into sensors select i, 1 + i * 11 % 20000, i % 60 from generate_series(1, 500) i;
create table readings (id int primary key, sensor_id int, day int, remark text);
insert into readings select i, 1 + i % 500, i / 500, md5(i::text) from generate_series(1, 100000) i;
create index readings_sensor on readings (sensor_id);
analyze sensors;
analyze readings;
""",
        query="select count(*), max(r.remark) from sensors s join readings r on r.sensor_id = s.id"
        " where s.house = 5 and r.day = 77",
        place=at("s", "r"),
        cure=("create index on readings (sensor_id, day)", "analyze readings"),
        others=others("sensors", "plant_id", "plants", "readings"),
        never_first=NO_STATISTICS,
        measure="pages",
    ),
    Fault(
        name="the index of the tickets leads with the day of sale, the join asks by sailing",
        code="missing_join_index",
        source="PostgreSQL documentation, 'Multicolumn Indexes': most efficient with constraints on the leading"
        " columns",
        schema=f"""{PASSENGERS}
create table sailings (id int primary key, passenger_id int, route int);
insert into sailings select i, 1 + i * 3 % 20000, i % 900 from generate_series(1, 9000) i;
create index sailings_route on sailings (route);
create table tickets (id int primary key, sailing_id int, sold date, remark text);
insert into tickets select i, 1 + i * 17 % 9000, date '2020-01-01' + i % 2000, repeat(md5(i::text), 2)
from generate_series(1, 90000) i;
create index tickets_sold on tickets (sold, sailing_id);
analyze sailings;
analyze tickets;
""",
        query="select count(*), max(k.remark) from sailings s join tickets k on k.sailing_id = s.id where s.route"
        " = 123",
        place=at("s", "k"),
        cure=("create index on tickets (sailing_id)", "analyze tickets"),
        others=others("sailings", "passenger_id", "passengers", "tickets"),
        never_first=NO_STATISTICS,
        measure="pages",
    ),
)

_LURING: Final = (
    Fault(
        name="an index on shelves draws the newest broadcast of each programme into single look-ups",
        code="luring_index",
        source="Leis et al., VLDB Journal 27, 2018: the more indexes, the more an underestimate costs; selfuncs.h,"
        " DEFAULT_EQ_SEL for what a window function gives",
        schema=f"""{TAPES}
create table broadcasts (id int primary key, tape_id int, programme int, shelf int, aired date);
insert into broadcasts select i, 1 + i * 7 % 20000, i % 8000, i * 7919 % 9000, date '2025-01-01' + i / 50
from generate_series(1, 9000) i;
create table shelves (id int primary key, shelf int, remark text);
insert into shelves select i, i * 13 % 9000, repeat(md5(i::text), 2) from generate_series(1, 18000) i;
create index shelves_shelf on shelves (shelf);
analyze broadcasts;
analyze shelves;
""",
        query="select count(*), max(s.remark) from (select shelf, row_number() over (partition by programme"
        " order by aired desc) as nth from broadcasts) n join shelves s on s.shelf = n.shelf where n.nth = 1",
        place=at("broadcasts", "s"),
        cure=("drop index shelves_shelf",),
        others=others("broadcasts", "tape_id", "tapes", "shelves"),
        also_right=frozenset({"unexplained"}),
        never_first=NO_STATISTICS - {"drop_index"},
        measure="pages",
    ),
    Fault(
        name="an index on decks serves a stretch of days that two subqueries find",
        code="luring_index",
        source="Leis et al., PVLDB 9(3), 2015, on nested loops over indexes at underestimates; selfuncs.h,"
        " DEFAULT_RANGE_INEQ_SEL for bounds known at run time",
        schema=f"""{PASSENGERS}
create table sailings (id int primary key, passenger_id int, day date, deck int);
insert into sailings select i, 1 + i * 3 % 20000, date '2026-01-01' + i % 300, i * 7919 % 9000
from generate_series(1, 9000) i;
create table cabins (id int primary key, deck int, remark text);
insert into cabins select i, i * 13 % 9000, repeat(md5(i::text), 2) from generate_series(1, 18000) i;
create index cabins_deck on cabins (deck);
analyze sailings;
analyze cabins;
""",
        query="select count(*), max(c.remark) from sailings s join cabins c on c.deck = s.deck"
        " where s.day between (select min(day) + 1 from sailings) and (select max(day) - 1 from sailings)",
        place=at("s", "c"),
        cure=("drop index cabins_deck",),
        others=others("sailings", "passenger_id", "passengers", "cabins"),
        also_right=frozenset({"unexplained"}),
        never_first=NO_STATISTICS - {"drop_index"},
        measure="pages",
    ),
    Fault(
        name="an index on tables draws a recursive draw of the league into single look-ups",
        code="luring_index",
        source="Leis et al., VLDB Journal 27, 2018, on indexes and underestimates; cost_recursive_union in costsize.c",
        schema=f"""{PLAYERS}
create table ties (id int primary key, player_id int, before int, tabled int);
insert into ties select i, 1 + i * 13 % 20000, case when i between 2 and 3600 then 1 else 100000 + i end,
  i * 7919 % 30000
from generate_series(1, 9000) i;
create index ties_before on ties (before);
create table rooms (id int primary key, tabled int, remark text);
insert into rooms select i, i * 13 % 30000, repeat(md5(i::text), 2) from generate_series(1, 60000) i;
create index rooms_tabled on rooms (tabled);
analyze ties;
analyze rooms;
""",
        query="with recursive drawn as (select id, tabled from ties where id = 1"
        " union all select t.id, t.tabled from drawn d join ties t on t.before = d.id)"
        " select count(*), max(r.remark) from drawn w join rooms r on r.tabled = w.tabled",
        place=at("w", "r"),
        cure=("drop index rooms_tabled",),
        others=others("ties", "player_id", "players", "rooms"),
        also_right=frozenset({"unexplained"}),
        never_first=NO_STATISTICS - {"drop_index"},
        measure="pages",
    ),
)

FAULTS: Final = (*_MISSING, *_LURING)
