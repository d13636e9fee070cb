"""Statements whose values the planner does not see, functions, and what no statistics describe."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

from .tables import NO_STATISTICS, PASSENGERS, PLANTS, PLAYERS, TAPES, others

_CHANNEL: Final = (
    "select count(*), max(t.remark) from broadcasts b join tapes t on t.id = b.tape_id where b.channel = {}"
)
_WEEKS: Final = (
    "select count(*), max(p.remark) from tickets k join passengers p on p.id = k.passenger_id"
    " where k.departs >= {} and k.departs < {}"
)
_SENSORS: Final = (
    "select count(*), max(p.remark) from readings r join plants p on p.id = r.plant_id where r.sensor = any ({})"
)
_MANY: Final = "'{" + ",".join(str(number) for number in range(1, 1501)) + "}'"

_ALWAYS_GENERIC: Final = """
do $$ begin
  execute format('alter database %I set plan_cache_mode = force_generic_plan', current_database());
end $$;
"""
"""Somebody spared the planning of all statements, for each session of the database."""

_GENERIC: Final = (
    Fault(
        name="a prepared statement keeps one plan for the common channel and for the rare ones",
        code="generic_plan",
        source="PostgreSQL documentation, PREPARE, Notes, and plan_cache_mode; choose_custom_plan in plancache.c",
        schema=f"""{TAPES}
create table broadcasts (id int primary key, tape_id int, channel text);
insert into broadcasts
select i, 1 + i * 7 % 20000, case when i % 5 < 3 then 'medium wave' else 'relay ' || i end
from generate_series(1, 30000) i;
analyze broadcasts;
{_ALWAYS_GENERIC}""",
        query="execute by_channel('medium wave')",
        prelude=(f"prepare by_channel(text) as {_CHANNEL.format('$1')}",),
        place=at("b"),
        cure=(),
        cured_query=_CHANNEL.format("'medium wave'"),
        others=others("broadcasts", "tape_id", "tapes"),
        never_first=NO_STATISTICS,
    ),
    Fault(
        name="a prepared stretch of days counts as half a percent of the table",
        code="generic_plan",
        source="PostgreSQL documentation, PREPARE, Notes; selfuncs.h, DEFAULT_RANGE_INEQ_SEL 0.005",
        schema=f"""{PASSENGERS}
create table tickets (id int primary key, passenger_id int, departs date);
insert into tickets select i, 1 + i * 3 % 20000, date '2026-01-01' + i % 365 from generate_series(1, 16000) i;
analyze tickets;
{_ALWAYS_GENERIC}""",
        query="execute between_days('2026-01-10', '2026-12-20')",
        prelude=(f"prepare between_days(date, date) as {_WEEKS.format('$1', '$2')}",),
        place=at("k"),
        cure=(),
        cured_query=_WEEKS.format("date '2026-01-10'", "date '2026-12-20'"),
        others=others("tickets", "passenger_id", "passengers"),
        never_first=NO_STATISTICS,
    ),
    Fault(
        name="a prepared list of sensors counts as ten of them",
        code="generic_plan",
        source="estimate_array_length in selfuncs.c: ten elements where the array is unknown; PostgreSQL documentation,"
        " PREPARE, Notes",
        schema=f"""{PLANTS}
create table readings (id int primary key, sensor int, plant_id int);
insert into readings select i, i % 6000, 1 + i * 11 % 20000 from generate_series(1, 24000) i;
analyze readings;
{_ALWAYS_GENERIC}""",
        query=f"execute of_sensors({_MANY})",
        prelude=(f"prepare of_sensors(int[]) as {_SENSORS.format('$1')}",),
        place=at("r"),
        cure=(),
        cured_query=_SENSORS.format(f"{_MANY}::int[]"),
        others=others("readings", "plant_id", "plants"),
        never_first=NO_STATISTICS,
    ),
)

_FUNCTIONS: Final = (
    Fault(
        name="a function returns three favourite tapes and counts as a thousand",
        code="function_row_default",
        source="PostgreSQL documentation, CREATE FUNCTION, ROWS: 'the default assumption is 1000 rows'",
        schema=f"""{TAPES}
create function favourites(listener int) returns setof int language plpgsql stable as
  'begin return query select listener * 10 + n from generate_series(1, 3) n; end';
create table plays (id int primary key, tape_id int);
insert into plays select i, 1 + i * 7 % 20000 from generate_series(1, 20000) i;
analyze plays;
""",
        query="select count(*), max(t.remark) from favourites(12) f join tapes t on t.id = f",
        place=at("f"),
        cure=("alter function favourites(int) rows 3",),
        others=others("plays", "tape_id", "tapes"),
        never_first=NO_STATISTICS,
    ),
    Fault(
        name="a function returns every passenger of the fleet and counts as a thousand",
        code="function_row_default",
        source="PostgreSQL documentation, CREATE FUNCTION, ROWS; 'Function Optimization Information'",
        schema=f"""{PASSENGERS}
create table fleet (id int primary key, passenger_id int, vessel int);
insert into fleet select i, 1 + i * 3 % 20000, i % 12 from generate_series(1, 20000) i;
analyze fleet;
create function aboard() returns table (passenger int, of_vessel int) language plpgsql stable as
  'begin return query select passenger_id, vessel from fleet; end';
""",
        query="select count(*), max(p.remark) from aboard() a join passengers p on p.id = a.passenger"
        " where a.of_vessel <> 3",
        place=at("a"),
        cure=("alter function aboard() rows 20000",),
        others=others("fleet", "passenger_id", "passengers"),
        never_first=NO_STATISTICS,
    ),
    Fault(
        name="each sowing's list of plants in JSON counts as a hundred",
        code="function_row_default",
        source="jsonb_array_elements has prorows 100 (pg_proc of a live server); a table in its place is"
        " common practice, no source",
        schema=f"""{PLANTS}
create table sowings (id int primary key, plant_id int, plan jsonb);
insert into sowings select i, i, jsonb_build_array(i, i + 1) from generate_series(1, 400) i;
analyze sowings;
""",
        query="select count(*), max(p.remark) from sowings s"
        " cross join lateral jsonb_array_elements_text(s.plan) e join plants p on p.id = e.value::int",
        place=at("e"),
        cure=(
            "create table planned as select s.id, e.value::int as plant_id"
            " from sowings s cross join lateral jsonb_array_elements_text(s.plan) e",
            "analyze planned",
        ),
        cured_query="select count(*), max(p.remark) from planned n join plants p on p.id = n.plant_id",
        cured_place=at("n"),
        others=others("sowings", "plant_id", "plants"),
        never_first=NO_STATISTICS,
    ),
)

_UNEXPLAINED: Final = (
    Fault(
        name="a recursive walk over the beds of a house",
        code="unexplained",
        source="cost_recursive_union in costsize.c: ten times the start is taken; Database Administrators, question"
        " 65091, 'How do I hint the cardinality of a recursive CTE?'",
        schema=f"""{PLANTS}
create table pipes (id int primary key, plant_id int, upstream int);
insert into pipes select i, 1 + i * 11 % 20000, i / 3 from generate_series(1, 12000) i;
create index pipes_upstream on pipes (upstream);
analyze pipes;
""",
        query="with recursive fed as (select id, plant_id from pipes where id = 1"
        " union all select x.id, x.plant_id from fed f join pipes x on x.upstream = f.id)"
        " select count(*), max(p.remark) from fed w join plants p on p.id = w.plant_id",
        place=at("w"),
        cure=(
            "create table fed_by_one as with recursive fed as (select id, plant_id from pipes where id = 1"
            " union all select x.id, x.plant_id from fed f join pipes x on x.upstream = f.id) select * from fed",
            "analyze fed_by_one",
        ),
        cured_query="select count(*), max(p.remark) from fed_by_one w join plants p on p.id = w.plant_id",
        others=others("pipes", "plant_id", "plants"),
        never_first=NO_STATISTICS,
    ),
    Fault(
        name="players with many games are a third of all players by rule",
        code="unexplained",
        source="selfuncs.h, DEFAULT_INEQ_SEL: an aggregate has no statistics, so HAVING keeps a third; Leis et al.,"
        " PVLDB 9(3), 2015, on estimates above aggregates (from memory)",
        schema=f"""{PLAYERS}
create table games (id int primary key, player_id int, season int);
insert into games select i, case when i % 10 = 0 then i % 200 / 10 + 1 else 1 + i * 13 % 20000 end, i % 20
from generate_series(1, 40000) i;
analyze games;
""",
        query="select count(*), max(p.remark) from (select player_id from games group by player_id"
        " having count(*) > 50) g join players p on p.id = g.player_id",
        place=at("games", grouping=True),
        cure=(
            "create table busy as select player_id from games group by player_id having count(*) > 50",
            "analyze busy",
        ),
        cured_query="select count(*), max(p.remark) from busy g join players p on p.id = g.player_id",
        cured_place=at("g"),
        others=others("games", "player_id", "players"),
        never_first=NO_STATISTICS,
    ),
    Fault(
        name="passengers who never sailed, told by NOT IN, are half of all by rule",
        code="unexplained",
        source="pgsql-hackers, D. Rowley, 'Allowing NOT IN to use ANTI joins', 2014: the plan there expects 1070 of"
        " 2140 rows; clause_selectivity in clausesel.c",
        schema=f"""{PASSENGERS}
create table tickets (id int primary key, passenger_id int not null, class int);
insert into tickets select i, i % 19990 + 1, i % 4 from generate_series(1, 30000) i;
analyze tickets;
create table addresses (passenger_id int primary key, street text);
insert into addresses select i, repeat('street ' || i, 8) from generate_series(1, 20000) i;
analyze addresses;
""",
        query="select count(*), max(a.street) from passengers p join addresses a on a.passenger_id = p.id"
        " where p.id not in (select passenger_id from tickets)",
        place=at("p"),
        cure=(
            "create table ashore as select p.id from passengers p"
            " where not exists (select from tickets k where k.passenger_id = p.id)",
            "analyze ashore",
        ),
        cured_query="select count(*), max(a.street) from ashore p join addresses a on a.passenger_id = p.id",
        others=others("tickets", "passenger_id", "passengers"),
        never_first=NO_STATISTICS,
    ),
    Fault(
        name="the last days before a day that a subquery finds are a third of the table by rule",
        code="unexplained",
        source="scalarineqsel in selfuncs.c: a value known only at run time gives DEFAULT_INEQ_SEL; PostgreSQL"
        " documentation, 'Using EXPLAIN', on InitPlans",
        schema=f"""{TAPES}
create table broadcasts (id int primary key, tape_id int, aired date);
insert into broadcasts select i, 1 + i * 7 % 20000, date '2020-01-01' + i / 10 from generate_series(1, 30000) i;
analyze broadcasts;
""",
        query="select count(*), max(t.remark) from broadcasts b join tapes t on t.id = b.tape_id"
        " where b.aired > (select max(aired) - 3 from broadcasts)",
        place=at("b"),
        cure=(),
        cured_query="select count(*), max(t.remark) from broadcasts b join tapes t on t.id = b.tape_id"
        " where b.aired > date '2028-03-16'",
        others=others("broadcasts", "tape_id", "tapes"),
        never_first=NO_STATISTICS,
    ),
)

FAULTS: Final = (*_GENERIC, *_FUNCTIONS, *_UNEXPLAINED)
