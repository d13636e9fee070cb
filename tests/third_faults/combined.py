"""Columns of one table that go together: under equality, under ranges, and in groupings."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

from .tables import NO_DETOUR, PASSENGERS, PLANTS, PLAYERS, TAPES, others

_EQUALITY: Final = (
    Fault(
        name="an opening's code implies its family",
        code="correlated_columns_equality",
        source="PostgreSQL documentation, 'Multivariate Statistics Examples', section on functional dependencies",
        schema=f"""{PLAYERS}
create table games (id int primary key, player_id int, code int, family int);
insert into games select i, 1 + i * 13 % 20000, i % 50, i % 50 / 2 from generate_series(1, 30000) i;
analyze games;
""",
        query="select count(*), max(p.remark) from games g join players p on p.id = g.player_id"
        " where g.code = 30 and g.family = 15",
        place=at("g"),
        cure=("create statistics game_opening (dependencies, mcv) on code, family from games", "analyze games"),
        others=others("games", "player_id", "players"),
        never_first=NO_DETOUR - {"query_rewrite"},
    ),
    Fault(
        name="a sensor's model, its maker and its unit say the same three times",
        code="correlated_columns_equality",
        source="PostgreSQL documentation, CREATE STATISTICS, on functional dependencies; 'Extended Statistics', the"
        " example of a postal code and its city",
        schema=f"""{PLANTS}
create table readings (id int primary key, plant_id int, maker text, model text, unit text);
insert into readings
select i, 1 + i * 11 % 20000, 'maker ' || i % 24 / 2, 'model ' || i % 24, 'unit ' || i % 24 / 3
from generate_series(1, 30000) i;
analyze readings;
""",
        query="select count(*), max(p.remark) from readings r join plants p on p.id = r.plant_id"
        " where r.maker = 'maker 4' and r.model = 'model 9' and r.unit = 'unit 3'",
        place=at("r"),
        cure=(
            "create statistics reading_model (dependencies, mcv) on maker, model, unit from readings",
            "analyze readings",
        ),
        others=others("readings", "plant_id", "plants"),
        never_first=NO_DETOUR - {"query_rewrite"},
    ),
    Fault(
        name="a vessel sails for one line alone, and two vessels are asked for",
        code="correlated_columns_equality",
        source="V. Leis et al., PVLDB 9(3), 2015, on correlated predicates and independence; PostgreSQL documentation,"
        " 'Extended Statistics', MCV lists and IN clauses",
        schema=f"""{PASSENGERS}
create table tickets (id int primary key, passenger_id int, vessel text, line text);
insert into tickets select i, 1 + i * 3 % 20000, 'vessel ' || i % 60, 'line ' || i % 60 / 2
from generate_series(1, 30000) i;
analyze tickets;
""",
        query="select count(*), max(p.remark) from tickets k join passengers p on p.id = k.passenger_id"
        " where k.vessel in ('vessel 20', 'vessel 21') and k.line = 'line 10'",
        place=at("k"),
        cure=("create statistics ticket_vessel (dependencies, mcv) on vessel, line from tickets", "analyze tickets"),
        others=others("tickets", "passenger_id", "passengers"),
        never_first=NO_DETOUR - {"query_rewrite"},
    ),
)

_RANGES: Final = (
    Fault(
        name="a strong wind comes with high waves",
        code="correlated_columns_range",
        source="PostgreSQL documentation, 'Multivariate Statistics Examples', section on MCV lists, which alone speak"
        " of ranges",
        schema=f"""{PASSENGERS}
create table tickets (id int primary key, passenger_id int, wind int, wave int);
insert into tickets select i, 1 + i * 3 % 20000, i % 100, i % 100 + i % 100 % 3 from generate_series(1, 30000) i;
analyze tickets;
""",
        query="select count(*), max(p.remark) from tickets k join passengers p on p.id = k.passenger_id"
        " where k.wind >= 95 and k.wave >= 95",
        place=at("k"),
        cure=(
            "create statistics ticket_weather (mcv) on wind, wave from tickets",
            "alter statistics ticket_weather set statistics 300",
            "analyze tickets",
        ),
        others=others("tickets", "passenger_id", "passengers"),
        never_first=NO_DETOUR - {"query_rewrite"},
    ),
    Fault(
        name="no reading is both dry and dewy",
        code="correlated_columns_range",
        source="PostgreSQL documentation, 'Multivariate Statistics Examples': a <= 49 and b > 49, no row where a"
        " quarter of the table is expected",
        schema=f"""{PLANTS}
create table readings (id int primary key, plant_id int, humidity int, dew int);
insert into readings select i, 1 + i * 11 % 20000, i % 90, i % 90 from generate_series(1, 30000) i;
analyze readings;
""",
        query="select count(*), max(p.remark) from readings r join plants p on p.id = r.plant_id"
        " where r.humidity <= 40 and r.dew > 40",
        place=at("r"),
        cure=("create statistics reading_damp (mcv) on humidity, dew from readings", "analyze readings"),
        others=others("readings", "plant_id", "plants"),
        never_first=NO_DETOUR - {"query_rewrite"},
    ),
    Fault(
        name="a season implies its weeks, of which there are more combinations than a list holds by default",
        code="correlated_columns_range",
        source="PostgreSQL documentation, ALTER STATISTICS, SET STATISTICS, and 'Extended Statistics', which applies"
        " dependencies to equality alone",
        schema=f"""{PLAYERS}
create table games (id int primary key, player_id int, season int, week int);
insert into games select i, 1 + i * 13 % 20000, i % 400 / 10, i % 400 from generate_series(1, 30000) i;
analyze games;
""",
        query="select count(*), max(p.remark) from games g join players p on p.id = g.player_id"
        " where g.season = 17 and g.week between 170 and 179",
        place=at("g"),
        cure=(
            "create statistics game_week (mcv) on season, week from games",
            "alter statistics game_week set statistics 1000",
            "analyze games",
        ),
        others=others("games", "player_id", "players"),
        never_first=NO_DETOUR - {"query_rewrite"},
    ),
)

_GROUPS: Final = (
    Fault(
        name="broadcasts are grouped by transmitter, town and county",
        code="ndistinct_multi_column",
        source="PostgreSQL documentation, 'Multivariate N-Distinct Counts' and 'Extended Statistics'",
        schema=f"""{TAPES}
create table broadcasts (id int primary key, tape_id int, transmitter int, town int, county int);
insert into broadcasts select i, 1 + i * 7 % 20000, i % 60, i % 60 / 2, i % 60 / 10 from generate_series(1, 60000) i;
analyze broadcasts;
""",
        query="select count(*), max(t.remark) from (select transmitter, town, county, max(tape_id) as tape_id"
        " from broadcasts group by transmitter, town, county) b join tapes t on t.id = b.tape_id",
        place=at("broadcasts", grouping=True),
        cure=(
            "create statistics broadcast_place (ndistinct) on transmitter, town, county from broadcasts",
            "analyze broadcasts",
        ),
        others=others("broadcasts", "tape_id", "tapes"),
        never_first=NO_DETOUR - {"query_rewrite"},
    ),
    Fault(
        name="distinct pairs of a crop and its supplier",
        code="ndistinct_multi_column",
        source="PostgreSQL documentation, 'Multivariate Statistics Examples': 1000 groups expected, 100 came;"
        " estimate_num_groups in selfuncs.c",
        schema=f"""{PLANTS}
create table sowings (id int primary key, plant_id int, crop text, supplier text);
insert into sowings select i, 1 + i * 11 % 20000, 'species ' || i % 80, 'supplier ' || (i % 80 * 7) % 80
from generate_series(1, 40000) i;
analyze sowings;
""",
        query="select count(*), max(p.remark) from (select distinct crop, supplier from sowings) s"
        " join plants p on p.species = s.crop",
        place=at("sowings", grouping=True),
        cure=("create statistics sowing_crop (ndistinct) on crop, supplier from sowings", "analyze sowings"),
        others=others("sowings", "plant_id", "plants"),
        never_first=NO_DETOUR - {"query_rewrite"},
    ),
    Fault(
        name="results are summed by club, captain and home hall",
        code="ndistinct_multi_column",
        source="PostgreSQL documentation, CREATE STATISTICS (ndistinct); estimate_num_groups in selfuncs.c, which caps"
        " the product at a tenth of the rows",
        schema=f"""{PLAYERS}
create table results (id int primary key, player_id int, club int, captain int, hall int);
insert into results select i, 1 + i * 13 % 20000, i % 50, i % 50 + 1000, i % 50 / 3 from generate_series(1, 50000) i;
analyze results;
""",
        query="select count(*), max(p.remark) from (select club, captain, hall, count(*) as games, min(player_id)"
        " as best from results group by club, captain, hall) r join players p on p.id = r.best",
        place=at("results", grouping=True),
        cure=("create statistics result_club (ndistinct) on club, captain, hall from results", "analyze results"),
        others=others("results", "player_id", "players"),
        never_first=NO_DETOUR - {"query_rewrite"},
    ),
)

FAULTS: Final = (*_EQUALITY, *_RANGES, *_GROUPS)
