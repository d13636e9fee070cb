"""One table's columns: such as go together, ranges that do, and lists of common values that end too early."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

_FUNCTIONAL: Final = "PostgreSQL documentation, 'Multivariate Statistics Examples': functional dependencies"
_LISTS: Final = "PostgreSQL documentation, 'Multivariate Statistics Examples': MCV lists, which serve ranges too"
_TARGET: Final = "PostgreSQL documentation, 'Statistics Used by the Planner' and ALTER TABLE SET STATISTICS"

PARISH_AND_DISTRICT: Final = Fault(
    name="a parish lies in one district, and both are asked for",
    code="correlated_columns_equality",
    source=_FUNCTIONAL,
    schema="""
create table farms (id int primary key, district int not null, parish int not null, name text not null);
insert into farms select i, (i % 400) / 10, i % 400, 'farm ' || i from generate_series(1, 80000) i;
create table flocks (id int primary key, farm_id int not null, heads int not null);
insert into flocks select i, i, i % 90 from generate_series(1, 80000) i;
create index on flocks (farm_id);
analyze farms;
analyze flocks;
""",
    query="select count(*), sum(k.heads) from farms f join flocks k on k.farm_id = f.id"
    " where f.district = 7 and f.parish = 77",
    place=at("f"),
    cure=("create statistics farms_place (dependencies) on district, parish from farms", "analyze farms"),
    others={
        "a parish": "select count(*) from farms where parish = 12",
        "large flocks": "select count(*) from flocks where heads > 85",
    },
)

MODEL_OF_LENS: Final = Fault(
    name="maker, model and glass of a lens say the same three times",
    code="correlated_columns_equality",
    source=_FUNCTIONAL,
    schema="""
create table lenses (id int primary key, maker text not null, model text not null, glass text not null);
insert into lenses select i, 'maker ' || i % 100 % 20, 'model ' || i % 100, 'glass ' || i % 100 % 50
  from generate_series(1, 60000) i;
create table polishings (id int primary key, lens_id int not null, grade int not null);
insert into polishings select i, 1 + (i * 7) % 60000, i % 11 from generate_series(1, 60000) i;
create index on polishings (lens_id);
analyze lenses;
analyze polishings;
""",
    query="select p.grade, count(*) from lenses l join polishings p on p.lens_id = l.id"
    " where l.maker = 'maker 5' and l.model = 'model 45' and l.glass = 'glass 45' group by p.grade",
    place=at("l"),
    cure=("create statistics lenses_kind (dependencies, mcv) on maker, model, glass from lenses", "analyze lenses"),
    others={
        "a maker": "select count(*) from lenses where maker = 'maker 3'",
        "grades": "select grade, count(*) from polishings group by grade",
    },
)

ONE_PAIR: Final = Fault(
    name="one dancer has one role, the others dance all",
    code="correlated_columns_equality",
    source="PostgreSQL documentation, 'Multivariate Statistics Examples': MCV lists",
    schema="""
create table dances (id int primary key, dancer int not null, part int not null);
insert into dances
  select i, case when i % 25 = 0 then 0 else 1 + (i * 7919) % 83 end, case when i % 25 = 0 then 0
         else 1 + (i * 10007) % 71 end
  from generate_series(1, 75000) i;
create table applause (dance_id int primary key, seconds int not null);
insert into applause select i, i % 200 from generate_series(1, 75000) i;
analyze dances;
analyze applause;
""",
    query="select count(*), max(a.seconds) from dances d join applause a on a.dance_id = d.id"
    " where d.dancer = 0 and d.part = 0",
    place=at("d"),
    cure=("create statistics dances_pairs (mcv) on dancer, part from dances", "analyze dances"),
    others={
        "a dancer": "select count(*) from dances where dancer = 12",
        "long applause": "select count(*) from applause where seconds > 190",
    },
)

TERMS_OF_COURT: Final = Fault(
    name="the court's term that holds a day, by its first and last day",
    code="correlated_columns_range",
    source="'Overlapping ranges: PostgreSQL', explainextended.com, 3 July 2009; " + _LISTS,
    schema="""
create table sittings (id int primary key, opens int not null, closes int not null, judge_id int not null);
insert into sittings select i, i % 250 * 10, i % 250 * 10 + 9, 1 + (i * 13) % 20000 from generate_series(1, 50000) i;
create table judges (id int primary key, chamber text not null);
insert into judges select i, 'chamber ' || i % 16 from generate_series(1, 20000) i;
analyze sittings;
analyze judges;
""",
    query="select count(*), min(j.chamber) from sittings s join judges j on j.id = s.judge_id"
    " where s.opens <= 1203 and s.closes >= 1203",
    place=at("s"),
    cure=(
        "create statistics sittings_span (mcv) on opens, closes from sittings",
        "alter statistics sittings_span set statistics 1000",
        "analyze sittings",
    ),
    others={
        "a judge": "select * from judges where id = 12",
        "late sittings": "select count(*) from sittings where opens > 2400",
    },
)

HEIGHT_AND_PRESSURE: Final = Fault(
    name="where the mast is high the pressure is low",
    code="correlated_columns_range",
    source=_LISTS,
    schema="""
create table soundings (id int primary key, height int not null, pressure int not null, crew_id int not null);
insert into soundings select i, i % 90, 89 - i % 90, 1 + (i * 11) % 30000 from generate_series(1, 60000) i;
create table crews (id int primary key, boat text not null);
insert into crews select i, 'boat ' || i % 33 from generate_series(1, 30000) i;
analyze soundings;
analyze crews;
""",
    query="select c.boat, count(*) from soundings s join crews c on c.id = s.crew_id"
    " where s.height >= 86 and s.pressure <= 3 group by c.boat",
    place=at("s"),
    cure=("create statistics soundings_air (mcv) on height, pressure from soundings", "analyze soundings"),
    others={
        "a crew": "select * from crews where id = 12",
        "low down": "select count(*) from soundings where height < 3",
    },
)

SECOND_HUNDRED: Final = Fault(
    name="grapes that come just after the hundred most common ones",
    code="column_target_too_low",
    source=_TARGET,
    schema="""
create table harvests (id int primary key, grape int not null, grower_id int not null);
insert into harvests
  select i, case when i <= 12000 then i % 100 when i <= 16500 then 1000 + i % 45 else 10000 + i end,
         1 + (i * 17) % 25000
  from generate_series(1, 29000) i;
create table growers (id int primary key, slope text not null);
insert into growers select i, 'slope ' || i % 21 from generate_series(1, 25000) i;
analyze harvests;
analyze growers;
""",
    query="select count(*), min(g.slope) from harvests h join growers g on g.id = h.grower_id where h.grape in"
    " (1000, 1001, 1002, 1003, 1004, 1005, 1006, 1007, 1008, 1009, 1010, 1011, 1012, 1013, 1014, 1015, 1016, 1017)",
    place=at("h"),
    cure=("alter table harvests alter column grape set statistics 500", "analyze harvests"),
    others={
        "a common grape": "select count(*) from harvests where grape = 7",
        "a grower": "select * from growers where id = 12",
    },
)

TARGET_OF_ONE: Final = Fault(
    name="somebody set the target of the vaccine column to one",
    code="column_target_too_low",
    source=_TARGET,
    schema="""
create table jabs (id int primary key, vaccine text not null, animal_id int not null);
insert into jabs
  select i, case when i % 10 < 4 then 'rabies' when i % 10 < 7 then 'distemper' else 'trial ' || i % 800 end,
         1 + (i * 19) % 30000
  from generate_series(1, 50000) i;
alter table jabs alter column vaccine set statistics 1;
create table goats (id int primary key, meadow text not null);
insert into goats select i, 'meadow ' || i % 27 from generate_series(1, 30000) i;
analyze jabs;
analyze goats;
""",
    query="select count(*), min(g.meadow) from jabs j join goats g on g.id = j.animal_id where j.vaccine = 'distemper'",
    place=at("j"),
    cure=("alter table jabs alter column vaccine set statistics 100", "analyze jabs"),
    others={
        "a meadow": "select count(*) from goats where meadow = 'meadow 3'",
        "a jab": "select * from jabs where id = 12",
    },
)

FAULTS: Final = (
    PARISH_AND_DISTRICT,
    MODEL_OF_LENS,
    ONE_PAIR,
    TERMS_OF_COURT,
    HEIGHT_AND_PRESSURE,
    SECOND_HUNDRED,
    TARGET_OF_ONE,
)
