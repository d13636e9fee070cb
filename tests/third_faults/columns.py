"""One column: what is computed from it, lists of common values that are too short, numbers of distinct values."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

from .tables import NO_DETOUR, PASSENGERS, PLANTS, PLAYERS, TAPES, others

_EXPRESSIONS: Final = (
    Fault(
        name="a genre is looked up whatever its capitals",
        code="expression_without_statistics",
        source="PostgreSQL documentation, CREATE STATISTICS, on expressions, and 'Indexes on Expressions', whose"
        " example is lower()",
        schema=f"""{TAPES}
create table broadcasts (id int primary key, tape_id int, genre text);
insert into broadcasts select i, 1 + i * 7 % 20000, case i % 3 when 0 then 'Jazz' when 1 then 'JAZZ' else 'Opera' end
from generate_series(1, 16000) i;
analyze broadcasts;
""",
        query="select count(*), max(t.remark) from broadcasts b join tapes t on t.id = b.tape_id"
        " where lower(b.genre) = 'jazz'",
        place=at("b"),
        cure=("create statistics broadcast_genre on (lower(genre)) from broadcasts", "analyze broadcasts"),
        others=others("broadcasts", "tape_id", "tapes"),
        never_first=frozenset({"refresh_statistics", "distinct_count", "drop_index"}),
    ),
    Fault(
        name="tickets of one month are found by date_trunc",
        code="expression_without_statistics",
        source="PostgreSQL documentation, CREATE STATISTICS, whose example groups and filters by date_trunc",
        schema=f"""{PASSENGERS}
create table tickets (id int primary key, passenger_id int, departs timestamp);
insert into tickets select i, 1 + i * 3 % 20000, timestamp '2026-07-01' + i % 38 * interval '1 day'
from generate_series(1, 16000) i;
analyze tickets;
""",
        query="select count(*), max(p.remark) from tickets k join passengers p on p.id = k.passenger_id"
        " where date_trunc('month', k.departs) = timestamp '2026-07-01'",
        place=at("k"),
        cure=("create statistics ticket_month on (date_trunc('month', departs)) from tickets", "analyze tickets"),
        others=others("tickets", "passenger_id", "passengers"),
        never_first=frozenset({"refresh_statistics", "distinct_count", "drop_index"}),
    ),
    Fault(
        name="the kind of a watering is read out of its JSON document",
        code="expression_without_statistics",
        source="selfuncs.h, DEFAULT_EQ_SEL: half a percent where nothing is known; PostgreSQL documentation, CREATE"
        " STATISTICS, on expressions",
        schema=f"""{PLANTS}
create table waterings (id int primary key, plant_id int, detail jsonb);
insert into waterings
select i, 1 + i * 11 % 20000, jsonb_build_object('kind', case when i % 9 = 0 then 'can' else 'drip' end, 'number', i)
from generate_series(1, 16000) i;
analyze waterings;
""",
        query="select count(*), max(p.remark) from waterings w join plants p on p.id = w.plant_id"
        " where w.detail ->> 'kind' = 'drip'",
        place=at("w"),
        cure=("create statistics watering_kind on (detail ->> 'kind') from waterings", "analyze waterings"),
        others=others("waterings", "plant_id", "plants"),
        never_first=frozenset({"refresh_statistics", "distinct_count", "drop_index"}),
    ),
)

_TARGETS: Final = (
    Fault(
        name="presenters who just missed the list of common values",
        code="column_target_too_low",
        source="PostgreSQL documentation, 'Row Estimation Examples' (values that are not in the list) and"
        " default_statistics_target; var_eq_const in selfuncs.c",
        schema=f"""{TAPES}
create table broadcasts (id int primary key, tape_id int, presenter text);
insert into broadcasts
select row_number() over (), 1 + (k * 131 + n * 7) % 20000, 'presenter ' || k
from generate_series(1, 150) k, generate_series(1, 220 - k) n;
insert into broadcasts select 100000 + i, 1 + i * 7 % 20000, 'guest ' || i from generate_series(1, 8000) i;
analyze broadcasts;
""",
        query="select count(*), max(t.remark) from broadcasts b join tapes t on t.id = b.tape_id"
        " where b.presenter in ('presenter 130', 'presenter 133', 'presenter 136', 'presenter 139', 'presenter 142')",
        place=at("b"),
        cure=("alter table broadcasts alter column presenter set statistics 1000", "analyze broadcasts"),
        others=others("broadcasts", "tape_id", "tapes"),
        never_first=NO_DETOUR,
    ),
    Fault(
        name="the target of the ports of call was set to five",
        code="column_target_too_low",
        source="PostgreSQL documentation, ALTER TABLE, SET STATISTICS; 'Statistics Used by the Planner' on raising the"
        " limit for columns with irregular distributions",
        schema=f"""{PASSENGERS}
create table calls (id int primary key, passenger_id int, port text);
insert into calls
select row_number() over (), 1 + (k * 131 + n * 7) % 20000, 'port ' || k
from generate_series(1, 30) k, generate_series(1, 720 - k * 8) n;
insert into calls select 100000 + i, 1 + i * 7 % 20000, 'anchorage ' || i from generate_series(1, 11000) i;
alter table calls alter column port set statistics 5;
analyze calls;
""",
        query="select count(*), max(p.remark) from calls c join passengers p on p.id = c.passenger_id"
        " where c.port = 'port 20'",
        place=at("c"),
        cure=("alter table calls alter column port set statistics 500", "analyze calls"),
        others=others("calls", "passenger_id", "passengers"),
        never_first=NO_DETOUR,
    ),
    Fault(
        name="a histogram of three bounds says nothing of a long tail",
        code="column_target_too_low",
        source="PostgreSQL documentation, 'Statistics Used by the Planner' (histogram bounds and the target) and 'Row"
        " Estimation Examples' (linear within a bucket)",
        schema=f"""{PLANTS}
create table readings (id int primary key, plant_id int, lux int);
insert into readings
select i, 1 + i * 11 % 20000, case when i % 1500 = 0 then 900000 + i else i % 15000 end
from generate_series(1, 30000) i;
alter table readings alter column lux set statistics 2;
analyze readings;
""",
        query="select count(*), max(p.remark) from readings r join plants p on p.id = r.plant_id where r.lux > 500000",
        place=at("r"),
        cure=("alter table readings alter column lux set statistics 2000", "analyze readings"),
        others=others("readings", "plant_id", "plants"),
        never_first=NO_DETOUR,
    ),
)

_DISTINCT: Final = (
    Fault(
        name="a sample of half a million plays sees few of their listeners",
        code="ndistinct_wrong",
        source="P. Haas and L. Stokes, JASA 93, 1998, the Duj1 estimator of analyze.c; pgsql-performance, 'Bad"
        " n_distinct estimation; hacks suggested?', April 2005",
        schema=f"""{TAPES}
create table plays (listener int, tape_id int);
insert into plays
select case when i % 5 = 0 then i else i % 50 end, 1 + i * 7 % 20000 from generate_series(1, 500000) i;
analyze plays;
""",
        query="select count(*), max(t.remark) from (select listener, max(tape_id) as tape_id from plays"
        " group by listener) p join tapes t on t.id = p.tape_id",
        place=at("plays", grouping=True),
        cure=("alter table plays alter column listener set (n_distinct = -0.2)", "analyze plays"),
        others=others("plays", "tape_id", "tapes"),
        never_first=NO_DETOUR,
    ),
    Fault(
        name="the number of distinct sensors was set by hand when there were forty",
        code="ndistinct_wrong",
        source="PostgreSQL documentation, ALTER TABLE, n_distinct: it overrides what ANALYZE finds",
        schema=f"""{PLANTS}
create table readings (id int primary key, sensor int, plant_id int);
insert into readings select i, i % 10000, 1 + i * 11 % 20000 from generate_series(1, 30000) i;
alter table readings alter column sensor set (n_distinct = 40);
analyze readings;
""",
        query="select count(*), max(p.remark) from (select sensor, max(plant_id) as plant_id from readings"
        " group by sensor) r join plants p on p.id = r.plant_id",
        place=at("readings", grouping=True),
        cure=("alter table readings alter column sensor reset (n_distinct)", "analyze readings"),
        others=others("readings", "plant_id", "plants"),
        never_first=NO_DETOUR,
    ),
    Fault(
        name="the openings were declared to be all different",
        code="ndistinct_wrong",
        source="PostgreSQL documentation, ALTER TABLE, n_distinct: a negative number is a share of the rows, -1 a"
        " column whose values are all different",
        schema=f"""{PLAYERS}
create table games (id int primary key, player_id int, opening int);
insert into games select i, 1 + i * 13 % 20000, i % 45 from generate_series(1, 30000) i;
alter table games alter column opening set (n_distinct = -1);
analyze games;
""",
        query="select count(*), max(p.remark) from (select opening, min(player_id) as player_id from games"
        " group by opening) g join players p on p.id = g.player_id",
        place=at("games", grouping=True),
        cure=("alter table games alter column opening reset (n_distinct)", "analyze games"),
        others=others("games", "player_id", "players"),
        never_first=NO_DETOUR,
    ),
)

FAULTS: Final = (*_EXPRESSIONS, *_TARGETS, *_DISTINCT)
