"""Plans that look faulty, where nothing is to be done or not the obvious thing."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Trap, at

from .tables import PASSENGERS, PLANTS, PLAYERS, TAPES, others

_CAVEATS: Final = "PostgreSQL documentation, 'Using EXPLAIN', section 'Caveats'"

_STATIONS: Final = f"""{TAPES}
create table stations (id int primary key, call_sign text unique);
insert into stations select i, 'station ' || i from generate_series(1, 400) i;
create table broadcasts (id int primary key, station_id int not null, tape_id int);
insert into broadcasts select i, case when i % 5 < 3 then 7 else 1 + i % 400 end, 1 + i * 7 % 20000
from generate_series(1, 30000) i;
alter table broadcasts add foreign key (station_id) references stations;
analyze stations;
analyze broadcasts;
"""

_PIPES: Final = f"""{PLANTS}
create table pipes (id int primary key, plant_id int not null references plants, upstream int);
insert into pipes select i, 1 + i * 11 % 20000, i / 3 from generate_series(1, 12000) i;
create index pipes_upstream on pipes (upstream);
analyze pipes;
"""

_GAMES: Final = f"""{PLAYERS}
create table games (id int primary key, player_id int not null, season int, result int) with (fillfactor = 45);
insert into games select i, 1 + i * 13 % 20000, 2000 + i % 20, i % 3 from generate_series(1, 30000) i;
analyze games;
"""

_READINGS: Final = f"""{PLANTS}
create table readings (id int primary key, plant_id int, house int, shelf int);
insert into readings select i, 1 + i * 11 % 20000, i % 60, i / 60 % 50 from generate_series(1, 30000) i;
create index readings_house on readings (house);
create index readings_shelf on readings (shelf);
analyze readings;
"""

_CUT_SHORT: Final = (
    Trap(
        name="a LIMIT stops the joined scans early",
        source=f"{_CAVEATS}: a node that LIMIT cuts short shows fewer rows than expected",
        schema=_GAMES,
        query="select g.id, p.name from games g join players p on p.id = g.player_id where g.result = 1 limit 5",
        place=at("g"),
        others=others("games", "player_id", "players"),
    ),
    Trap(
        name="a merge join stops at the end of its shorter side",
        source=f"{_CAVEATS}: a merge join stops reading one side where the other has run out",
        schema=f"""{PLAYERS}
create table seeded (player_id int primary key, seed int);
insert into seeded select i, i from generate_series(1, 400) i;
analyze seeded;
""",
        query="select count(*), max(p.name) from seeded s join players p on p.id = s.player_id",
        prelude=("set enable_hashjoin = off", "set enable_nestloop = off"),
        place=at("p"),
        others=others("seeded", "player_id", "players"),
    ),
    Trap(
        name="EXISTS is content with the first of a hundred games",
        source="PostgreSQL documentation, 'Subquery Expressions', EXISTS: executed only far enough to find one row;"
        f" {_CAVEATS}",
        schema=f"""{PLAYERS}
create table games (id int primary key, player_id int not null, season int);
insert into games select i, 1 + i % 300, 2000 + i % 20 from generate_series(1, 30000) i;
create index games_player on games (player_id);
analyze games;
""",
        query="select p.id, p.name from players p where p.id between 20 and 24"
        " and exists (select from games g where g.player_id = p.id)",
        prelude=("set enable_hashagg = off", "set enable_sort = off", "set enable_hashjoin = off"),
        place=at("g"),
        others=others("games", "player_id", "players"),
    ),
    Trap(
        name="an inner side that no row ever asked for",
        source="PostgreSQL source, explain.c: '(never executed)'; its actual rows are no count",
        schema=f"""{PLAYERS}
create table games (id int primary key, player_id int not null, season int);
insert into games select i, 1 + i % 300, 2000 + i % 20 from generate_series(1, 30000) i;
create index games_player on games (player_id);
analyze games;
""",
        query="select p.id, g.season from players p join games g on g.player_id = p.id where p.name = 'nobody at all'",
        place=at("g"),
        others=others("games", "player_id", "players"),
    ),
    Trap(
        name="a BitmapAnd shows no rows",
        source=f"{_CAVEATS}: BitmapAnd and BitmapOr always report zero rows",
        schema=_READINGS,
        query="select count(*), max(p.remark) from readings r join plants p on p.id = r.plant_id"
        " where r.house = 7 and r.shelf = 9",
        place=at("r"),
        others=others("readings", "plant_id", "plants"),
        looks_off=False,
    ),
    Trap(
        name="three processes share a scan, and each shows its part",
        source="PostgreSQL documentation, 'Parallel Plans' and 'Using EXPLAIN': rows are per loop, a process a loop",
        schema=_GAMES,
        query="select count(*), max(p.remark) from games g join players p on p.id = g.player_id where g.result = 1",
        prelude=(
            "set parallel_setup_cost = 0",
            "set parallel_tuple_cost = 0",
            "set min_parallel_table_scan_size = 0",
        ),
        place=at("g"),
        others=others("games", "player_id", "players"),
        looks_off=False,
    ),
)

_NOTHING_HELPS: Final = (
    Trap(
        name="days of departure and arrival that no list of pairs can hold",
        source="TPC-H's ship and receipt dates; PostgreSQL documentation, 'Multivariate Statistics Examples':"
        " dependencies know no ranges, and a list of common pairs holds few of many",
        schema=f"""{PASSENGERS}
create table voyages (id int primary key, passenger_id int, departs int, arrives int);
insert into voyages select i, 1 + i * 3 % 20000, i * 7919 % 30000, i * 7919 % 30000 + 1 + i % 30
from generate_series(1, 30000) i;
analyze voyages;
""",
        query="select count(*), max(p.remark) from voyages v join passengers p on p.id = v.passenger_id"
        " where v.departs < 15000 and v.arrives >= 15000",
        place=at("v"),
        others=others("voyages", "passenger_id", "passengers"),
        never_first=frozenset({"more_statistics", "refresh_statistics", "distinct_count", "drop_index"}),
        useless=("create statistics voyage_days on departs, arrives from voyages", "analyze voyages"),
    ),
    Trap(
        name="longer lists do not tell which station a call sign means",
        source="eqjoinsel_inner in selfuncs.c: a unique column has no list of common values; PostgreSQL documentation,"
        " CREATE STATISTICS (columns of one table only)",
        schema=_STATIONS,
        query="select count(*), max(t.remark) from stations s join broadcasts b on b.station_id = s.id"
        " join tapes t on t.id = b.tape_id where s.call_sign = 'station 7'",
        place=at("s", "b"),
        others=others("broadcasts", "tape_id", "tapes"),
        never_first=frozenset({"more_statistics", "refresh_statistics", "distinct_count", "drop_index"}),
        useless=(
            "alter table broadcasts alter column station_id set statistics 1000",
            "analyze broadcasts",
            "analyze stations",
        ),
    ),
    Trap(
        name="ANALYZE does nothing for a recursive walk, nor does a drop of its index",
        source="cost_recursive_union in costsize.c: the size is ten times the start, whatever the statistics",
        schema=_PIPES,
        query="with recursive fed as (select id, plant_id from pipes where id = 1"
        " union all select x.id, x.plant_id from fed f join pipes x on x.upstream = f.id)"
        " select count(*), max(p.remark) from fed w join plants p on p.id = w.plant_id",
        place=at("w"),
        others=others("pipes", "plant_id", "plants"),
        never_first=frozenset(
            {"more_statistics", "refresh_statistics", "distinct_count", "foreign_key", "drop_index", "new_index"}
        ),
        useless=("analyze pipes", "analyze plants"),
    ),
    Trap(
        name="the lured loop goes through an index that keeps a foreign key quick",
        source="PostgreSQL documentation, 'Foreign Keys': a delete in the referenced table searches the referencing"
        " one",
        schema=f"""{TAPES}
create table broadcasts (id int primary key, tape_id int, aired date);
insert into broadcasts select i, 1 + i * 7 % 20000, date '2026-01-01' + i % 300 from generate_series(1, 9000) i;
create table tracks (id int primary key, broadcast_id int not null references broadcasts, title text);
insert into tracks select i, 1 + i * 17 % 9000, repeat(md5(i::text), 2) from generate_series(1, 18000) i;
create index tracks_broadcast on tracks (broadcast_id);
analyze broadcasts;
analyze tracks;
""",
        query="select count(*), max(k.title) from broadcasts b join tracks k on k.broadcast_id = b.id"
        " where b.aired between (select min(aired) + 1 from broadcasts) and (select max(aired) - 1 from broadcasts)",
        place=at("b"),
        others=others("broadcasts", "tape_id", "tapes"),
        never_first=frozenset({"drop_index", "refresh_statistics", "more_statistics", "distinct_count"}),
        useless=("analyze broadcasts", "analyze tracks"),
    ),
    Trap(
        name="an impossible pair under statistics of dependencies, analyzed a moment ago",
        source="PostgreSQL documentation, 'Limitations of Functional Dependencies': they take the values to fit"
        " together",
        schema=f"""{PLAYERS}
create table games (id int primary key, player_id int, code int, family int);
insert into games select i, 1 + i * 13 % 20000, i % 20, i % 20 / 2 from generate_series(1, 30000) i;
create statistics game_opening (dependencies) on code, family from games;
analyze games;
""",
        query="select count(*), max(p.remark) from games g join players p on p.id = g.player_id"
        " where g.code = 3 and g.family = 8",
        place=at("g"),
        others=others("games", "player_id", "players"),
        never_first=frozenset({"refresh_statistics", "distinct_count", "drop_index", "foreign_key"}),
        useless=("analyze games",),
    ),
    Trap(
        name="a foreign key on both columns is there already, and only late legs have berths",
        source="get_foreign_key_join_selectivity in costsize.c: each row is taken to find its partner evenly",
        schema=f"""{PASSENGERS}
create table legs (voyage int, leg int, season int, primary key (voyage, leg));
insert into legs select v, (v * 7 + k) % 400, v / 250 from generate_series(1, 5000) v, generate_series(1, 4) k;
create table berths (id int primary key, voyage int not null, leg int not null, passenger_id int,
  foreign key (voyage, leg) references legs);
insert into berths
select row_number() over (), voyage, leg, 1 + (voyage * 3 + leg + n) % 20000
from legs, generate_series(1, 20) n where season = 11;
analyze legs;
analyze berths;
""",
        query="select count(*), max(p.remark) from berths b join legs l on l.voyage = b.voyage and l.leg = b.leg"
        " join passengers p on p.id = b.passenger_id where l.season = 11",
        place=at("b", "l"),
        others=others("berths", "passenger_id", "passengers"),
        never_first=frozenset({"foreign_key", "refresh_statistics", "more_statistics", "distinct_count", "drop_index"}),
        useless=("analyze legs", "analyze berths"),
    ),
)

_ALL_WELL: Final = (
    Trap(
        name="a column that no query filters was rewritten after ANALYZE",
        source="PostgreSQL documentation, 'Updating Planner Statistics': only a changed distribution is worth an"
        " ANALYZE",
        schema=f"""{_GAMES}
update games set result = 2 - result;
""",
        query="select count(*), max(p.remark) from games g join players p on p.id = g.player_id where g.season = 2004",
        place=at("g"),
        others=others("games", "player_id", "players"),
        looks_off=False,
        useless=("analyze games",),
    ),
    Trap(
        name="a season that was never played: one row is expected and none came",
        source="PostgreSQL source, costsize.c, clamp_row_est: no estimate lies below one row",
        schema=_GAMES,
        query="select count(*), max(p.remark) from games g join players p on p.id = g.player_id where g.season = 1851",
        place=at("g"),
        others=others("games", "player_id", "players"),
        looks_off=False,
        useless=("analyze games",),
    ),
    Trap(
        name="a slow function takes the time, and the rows are as expected",
        source="PostgreSQL documentation, CREATE FUNCTION, COST; an estimate that is right needs no statistics (common"
        " practice, no source)",
        schema=f"""{PLAYERS}
create table games (id int primary key, player_id int, season int);
insert into games select i, 1 + i * 13 % 20000, 2000 + i % 20 from generate_series(1, 6000) i;
analyze games;
create function strength(player int) returns int language plpgsql stable as
  'declare total int = 0; begin for n in 1..200 loop total = total + player % n; end loop; return total; end';
""",
        query="select max(strength(p.id)) from games g join players p on p.id = g.player_id where g.season < 2010",
        place=at("g"),
        others=others("games", "player_id", "players"),
        looks_off=False,
    ),
    Trap(
        name="two whole tables are joined, and hashed as they should be",
        source="PostgreSQL documentation, 'Using EXPLAIN', the hash join of its examples; Leis et al., PVLDB 9(3),"
        " 2015",
        schema=_GAMES,
        query="select p.club, sum(g.result) from games g join players p on p.id = g.player_id group by p.club",
        place=at("g", "p"),
        others=others("games", "player_id", "players"),
        looks_off=False,
    ),
    Trap(
        name="a well-estimated nested loop over a key",
        source="PostgreSQL documentation, 'Using EXPLAIN', the nested loop of its examples: ten outer rows",
        schema=_READINGS,
        query="select r.id, p.species from readings r join plants p on p.id = r.plant_id"
        " where r.house = 7 and r.shelf = 9",
        place=at("r", "p"),
        others=others("readings", "plant_id", "plants"),
        looks_off=False,
        useless=("analyze readings",),
    ),
)

TRAPS: Final = (*_CUT_SHORT, *_NOTHING_HELPS, *_ALL_WELL)
