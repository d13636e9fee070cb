"""Joins: keys of several columns, rows of two tables that go together, keys that repeat unevenly on both sides."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

from .tables import NO_STATISTICS, PASSENGERS, PLANTS, PLAYERS, TAPES, others

_KEYS: Final = (
    Fault(
        name="a leg's number depends on its voyage",
        code="multi_column_join_key",
        source="get_foreign_key_join_selectivity in costsize.c; PostgreSQL 9.6 release notes, on foreign keys of"
        " several columns in join estimates (from memory)",
        schema=f"""{PASSENGERS}
create table legs (voyage int, leg int, miles int, primary key (voyage, leg));
insert into legs select v, (v * 7 + k) % 400, k * 10 from generate_series(1, 5000) v, generate_series(1, 4) k;
create table berths (id int primary key, voyage int not null, leg int not null, passenger_id int);
insert into berths
select row_number() over (), voyage, leg, 1 + (voyage * 3 + leg) % 20000 from legs;
analyze legs;
analyze berths;
""",
        query="select count(*), max(p.remark) from berths b join legs l on l.voyage = b.voyage and l.leg = b.leg"
        " join passengers p on p.id = b.passenger_id",
        place=at("b", "l"),
        cure=("alter table berths add foreign key (voyage, leg) references legs",),
        others=others("berths", "passenger_id", "passengers"),
        never_first=NO_STATISTICS,
    ),
    Fault(
        name="a bed's code begins with its house, and both are the key",
        code="multi_column_join_key",
        source="Stack Overflow, 'Correct planner estimate of 1:1 join without FK or left join': two columns, one row"
        " expected, 40,000 came, a foreign key mends it",
        schema=f"""{PLANTS}
create table beds (house text, bed text, area int, primary key (house, bed));
insert into beds select 'house ' || i / 25, 'house ' || i / 25 || ' bed ' || i, i % 9 from generate_series(1, 5000) i;
create table harvests (id int primary key, house text not null, bed text not null, plant_id int);
insert into harvests
select i, 'house ' || (1 + i % 5000) / 25, 'house ' || (1 + i % 5000) / 25 || ' bed ' || 1 + i % 5000,
  1 + i * 11 % 20000
from generate_series(1, 20000) i;
analyze beds;
analyze harvests;
""",
        query="select count(*), max(p.remark) from harvests h join beds b on b.house = h.house and b.bed = h.bed"
        " join plants p on p.id = h.plant_id",
        place=at("h", "b"),
        cure=("alter table harvests add foreign key (house, bed) references beds",),
        others=others("harvests", "plant_id", "plants"),
        never_first=NO_STATISTICS,
    ),
    Fault(
        name="a pairing is known by season, club and board",
        code="multi_column_join_key",
        source="V. Leis et al., PVLDB 9(3), 2015; TPC-H's part-suppliers, whose key has two columns; PostgreSQL"
        " documentation, CREATE TABLE, FOREIGN KEY",
        schema=f"""{PLAYERS}
create table pairings (season int, club int, board int, hall int, primary key (season, club, board));
insert into pairings
select s, s * 10 + k / 8, (s * 10 + k / 8) * 8 + k % 8, k from generate_series(1, 40) s, generate_series(0, 79) k;
create table scores (id int primary key, season int not null, club int not null, board int not null, player_id int);
insert into scores
select row_number() over (), season, club, board, 1 + (board * 13 + n) % 20000
from pairings, generate_series(1, 6) n;
analyze pairings;
analyze scores;
""",
        query="select count(*), max(p.remark) from scores s"
        " join pairings g on g.season = s.season and g.club = s.club and g.board = s.board"
        " join players p on p.id = s.player_id",
        place=at("s", "g"),
        cure=("alter table scores add foreign key (season, club, board) references pairings",),
        others=others("scores", "player_id", "players"),
        never_first=NO_STATISTICS,
    ),
)

_BY_NAME: Final = "select count(*), max(t.remark) from stations s join broadcasts b on b.station_id = s.id"

_TABLES: Final = (
    Fault(
        name="one station of four hundred made most broadcasts, and is asked for by its call sign",
        code="cross_table_correlation",
        source="PostgreSQL documentation, CREATE STATISTICS (columns of one table only); Leis et al., PVLDB 9(3), 2015,"
        " on correlations across joins; eqjoinsel in selfuncs.c",
        schema=f"""{TAPES}
create table stations (id int primary key, call_sign text unique);
insert into stations select i, 'station ' || i from generate_series(1, 400) i;
create table broadcasts (id int primary key, station_id int not null, tape_id int);
insert into broadcasts select i, case when i % 5 < 3 then 7 else 1 + i % 400 end, 1 + i * 7 % 20000
from generate_series(1, 30000) i;
alter table broadcasts add foreign key (station_id) references stations;
analyze stations;
analyze broadcasts;
""",
        query=f"{_BY_NAME} join tapes t on t.id = b.tape_id where s.call_sign = 'station 7'",
        place=at("s", "b"),
        cure=(),
        cured_query=f"{_BY_NAME} join tapes t on t.id = b.tape_id where s.call_sign = 'station 7' and s.id = 7",
        others=others("broadcasts", "tape_id", "tapes"),
        never_first=NO_STATISTICS,
    ),
    Fault(
        name="frost is reported by the sensors of one house alone",
        code="cross_table_correlation",
        source="Y. Ioannidis and S. Christodoulakis, SIGMOD 1991, on errors that joins carry on; PostgreSQL"
        " documentation, CREATE STATISTICS (columns of one table only)",
        schema=f"""{PLANTS}
create table sensors (id int primary key, house int);
insert into sensors select i, i % 25 from generate_series(1, 5000) i;
create table reports (id int primary key, sensor_id int not null, kind text, plant_id int);
insert into reports
select i, 1 + i % 5000, case when (1 + i % 5000) % 25 = 4 then 'frost' else 'mild' end, 1 + i * 11 % 20000
from generate_series(1, 30000) i;
alter table reports add foreign key (sensor_id) references sensors;
analyze sensors;
analyze reports;
""",
        query="select count(*), max(p.remark) from reports r join sensors s on s.id = r.sensor_id"
        " join plants p on p.id = r.plant_id where s.house = 4 and r.kind = 'frost'",
        place=at("r", "s"),
        cure=(
            "create table frosts as select r.plant_id from reports r join sensors s on s.id = r.sensor_id"
            " where s.house = 4 and r.kind = 'frost'",
            "analyze frosts",
        ),
        cured_query="select count(*), max(p.remark) from frosts f join plants p on p.id = f.plant_id",
        cured_place=at("f"),
        others=others("reports", "plant_id", "plants"),
        never_first=NO_STATISTICS,
    ),
    Fault(
        name="cancelled sailings carried next to nobody",
        code="cross_table_correlation",
        source="T. Vondra on pgsql-performance, a calendar table and facts of a single month: the planner cannot know"
        " which keys are used; PostgreSQL documentation, CREATE STATISTICS",
        schema=f"""{PASSENGERS}
create table sailings (id int primary key, state text);
insert into sailings select i, case when i % 3 = 0 then 'cancelled' else 'sailed' end from generate_series(1, 3000) i;
create table tickets (id int primary key, sailing_id int not null, passenger_id int);
insert into tickets
select i, case when i % 1500 = 0 then 3 * (i / 1500) else 3 * (i % 1000) + 1 end, 1 + i * 3 % 20000
from generate_series(1, 30000) i;
alter table tickets add foreign key (sailing_id) references sailings;
analyze sailings;
analyze tickets;
""",
        query="select count(*), max(p.remark) from tickets k join sailings s on s.id = k.sailing_id"
        " join passengers p on p.id = k.passenger_id where s.state = 'cancelled'",
        place=at("k", "s"),
        cure=(
            "create table stranded as select k.passenger_id from tickets k join sailings s on s.id = k.sailing_id"
            " where s.state = 'cancelled'",
            "analyze stranded",
        ),
        cured_query="select count(*), max(p.remark) from stranded f join passengers p on p.id = f.passenger_id",
        cured_place=at("f"),
        others=others("tickets", "passenger_id", "passengers"),
        never_first=NO_STATISTICS,
    ),
)

_SONGS: Final = "select count(*), max(y.note) from requests r join plays y on y.song = r.song where r."

_SKEW: Final = (
    Fault(
        name="clubs meet at halls that repeat on both sides, the lists holding one value each",
        code="join_key_skew",
        source="eqjoinsel_inner in selfuncs.c compares both lists of common values; Ioannidis and Christodoulakis,"
        " SIGMOD 1991, on skewed join columns",
        schema=f"""{PLAYERS}
create table homes (id int primary key, player_id int, hall int);
insert into homes select row_number() over (), 1 + (h * 13 + n) % 20000, h
from generate_series(1, 20) h, generate_series(1, 200 - h) n;
insert into homes select 10000 + i, 1 + i * 13 % 20000, 10000 + i from generate_series(1, 6000) i;
create table visits (id int primary key, player_id int, hall int);
insert into visits select row_number() over (), 1 + (h * 17 + n) % 20000, h
from generate_series(1, 20) h, generate_series(1, 200 - h) n;
insert into visits select 10000 + i, 1 + i * 17 % 20000, 20000 + i from generate_series(1, 6000) i;
alter table homes alter column hall set statistics 1;
alter table visits alter column hall set statistics 1;
analyze homes;
analyze visits;
""",
        query="select count(*), max(p.remark) from homes h join visits v on v.hall = h.hall"
        " join players p on p.id = h.player_id",
        place=at("h", "v"),
        cure=(
            "alter table homes alter column hall set statistics 100",
            "alter table visits alter column hall set statistics 100",
            "analyze homes",
            "analyze visits",
        ),
        others=others("homes", "player_id", "players"),
        also_right=frozenset({"column_target_too_low"}),
    ),
    Fault(
        name="one week's requests are all for the song that is played most",
        code="join_key_skew",
        source="Ioannidis and Christodoulakis, SIGMOD 1991; eqjoinsel_inner in selfuncs.c, whose lists are of whole"
        " tables",
        schema=f"""{TAPES}
create table requests (id int primary key, week int, song int, tape_id int);
insert into requests select i, 1 + i % 99, 1000 + i % 900, 1 + i * 7 % 20000 from generate_series(1, 2000) i;
insert into requests select 5000 + i, 120, 1, 1 + i * 7 % 20000 from generate_series(1, 20) i;
create table plays (id int primary key, song int, note text);
insert into plays select i, case when i % 2 = 0 then 1 else 1000 + i % 900 end, md5(i::text)
from generate_series(1, 8000) i;
analyze requests;
analyze plays;
""",
        query=f"{_SONGS}week = 120",
        place=at("r", "y"),
        cure=(),
        cured_query=f"{_SONGS}song = 1",
        others=others("requests", "tape_id", "tapes"),
        never_first=NO_STATISTICS,
    ),
    Fault(
        name="one lot holds only the species that is hardly sown",
        code="join_key_skew",
        source="eqjoinsel_inner in selfuncs.c: both lists of common values are of the whole tables, whatever a"
        " filter keeps",
        schema=f"""{PLANTS}
create table seeds (id int primary key, lot int, species text, plant_id int);
insert into seeds
select i, case when i % 40 = 0 then 9 else 100 + i % 30 end, case when i % 40 = 0 then 'orchid' when i % 3 = 0
  then 'fern' else 'tomato' end, 1 + i * 11 % 20000
from generate_series(1, 2000) i;
create table sowings (id int primary key, species text, note text);
insert into sowings
select i, case when i % 4000 = 0 then 'orchid' when i % 4 = 0 then 'fern' else 'tomato' end, md5(i::text)
from generate_series(1, 8000) i;
analyze seeds;
analyze sowings;
""",
        query="select count(*), max(w.note) from seeds s join sowings w on w.species = s.species where s.lot = 9",
        place=at("s", "w"),
        cure=(),
        cured_query="select count(*), max(w.note) from seeds s join sowings w on w.species = s.species"
        " where s.species = 'orchid'",
        others=others("seeds", "plant_id", "plants"),
        never_first=NO_STATISTICS,
    ),
)

FAULTS: Final = (*_KEYS, *_TABLES, *_SKEW)
