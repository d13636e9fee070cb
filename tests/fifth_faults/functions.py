"""Functions and expressions that no statistics describe: rows returned, values computed, results filtered."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

_ROWS: Final = "PostgreSQL documentation, CREATE FUNCTION, ROWS: the default assumption is 1000 rows"
_EXPRESSIONS: Final = "PostgreSQL documentation, CREATE STATISTICS: statistics on expressions"
_HAVING: Final = (
    "DEFAULT_INEQ_SEL and DEFAULT_EQ_SEL in src/include/utils/selfuncs.h: what the query computes has no statistics"
)

FEW_FROM_A_FUNCTION: Final = Fault(
    name="a function that names two seats is taken for a thousand",
    code="function_row_default",
    source=_ROWS,
    schema="""
create table visits (id int primary key, seat int not null, price int not null);
insert into visits select i, i % 20000, i % 90 from generate_series(1, 60000) i;
create index on visits (seat);
create function seats_of_honour() returns setof int language plpgsql stable as $$
begin
  return next 11;
  return next 12;
end $$;
analyze visits;
""",
    query="select count(*), max(v.price) from seats_of_honour() s(seat) join visits v on v.seat = s.seat",
    place=at("s"),
    cure=("alter function seats_of_honour() rows 2",),
    others={
        "a visit": "select * from visits where id = 3",
        "dear seats": "select count(*) from visits where price > 80",
    },
)

MANY_FROM_A_FUNCTION: Final = Fault(
    name="a function that lists all stars of a chart gives thirty thousand",
    code="function_row_default",
    source=_ROWS,
    schema="""
create table stars (id int primary key, chart int not null, colour text not null);
insert into stars select i, i % 2, 'colour ' || i % 7 from generate_series(1, 60000) i;
analyze stars;
create function stars_of(wanted int) returns setof int language plpgsql stable as $$
begin
  return query select id from stars where chart = wanted;
end $$;
""",
    query="select count(*), min(s.colour) from stars_of(1) f(id) join stars s on s.id = f.id",
    place=at("f"),
    cure=("alter function stars_of(int) rows 30000",),
    others={
        "a star": "select * from stars where id = 3",
        "a colour": "select count(*) from stars where colour = 'colour 2'",
    },
)

LOWER_NAME: Final = Fault(
    name="breeds are compared in small letters",
    code="expression_without_statistics",
    source=_EXPRESSIONS,
    schema="""
create table kennels (id int primary key, valley text not null);
insert into kennels select i, 'valley ' || i % 18 from generate_series(1, 25000) i;
create table dogs (id int primary key, kennel_id int not null, breed text not null);
insert into dogs
  select i, 1 + (i * 7) % 25000, case when i % 10 < 4 then 'Sheepdog' when i % 10 < 8 then 'SHEEPDOG'
         else 'Breed ' || i % 700 end
  from generate_series(1, 50000) i;
analyze kennels;
analyze dogs;
""",
    query="select count(*), min(k.valley) from dogs d join kennels k on k.id = d.kennel_id"
    " where lower(d.breed) = 'sheepdog'",
    place=at("d"),
    cure=("create statistics dogs_lower on (lower(breed)) from dogs", "analyze dogs"),
    others={
        "a breed": "select count(*) from dogs where breed = 'Breed 9'",
        "a kennel": "select * from kennels where id = 4",
    },
)

DOCUMENT_FIELD: Final = Fault(
    name="a wardrobe's documents are filtered by a field",
    code="expression_without_statistics",
    source=_EXPRESSIONS + "; DEFAULT_EQ_SEL in src/include/utils/selfuncs.h",
    schema="""
create table hangers (id int primary key, aisle text not null);
insert into hangers select i, 'aisle ' || i % 22 from generate_series(1, 30000) i;
create table garments (id int primary key, hanger_id int not null, facts jsonb not null);
insert into garments
  select i, 1 + (i * 7) % 30000,
         jsonb_build_object('fabric', case when i % 8 < 7 then 'wool' else 'silk ' || i % 500 end, 'n', i)
  from generate_series(1, 40000) i;
analyze hangers;
analyze garments;
""",
    query="select h.aisle, count(*) from garments g join hangers h on h.id = g.hanger_id"
    " where g.facts ->> 'fabric' = 'wool' group by h.aisle",
    place=at("g"),
    cure=("create statistics garments_fabric on (facts ->> 'fabric') from garments", "analyze garments"),
    others={
        "a garment": "select * from garments where id = 4",
        "an aisle": "select count(*) from hangers where aisle = 'aisle 3'",
    },
)

MONTH_OF_LOG: Final = Fault(
    name="log entries of January of all years by their month",
    code="expression_without_statistics",
    source=_EXPRESSIONS,
    schema="""
create table stations (id int primary key, coast text not null);
insert into stations select i, 'coast ' || i % 14 from generate_series(1, 20000) i;
create table entries (id int primary key, station_id int not null, made timestamp not null);
insert into entries
  select i, 1 + (i * 3) % 20000,
         case when i % 5 < 4 then timestamp '2020-01-03' + i % 20 * interval '1 day' + i * interval '1 second'
         else timestamp '2020-03-01' + i * interval '9 minutes' end
  from generate_series(1, 50000) i;
analyze stations;
analyze entries;
""",
    query="select count(*), min(s.coast) from entries e join stations s on s.id = e.station_id"
    " where extract(month from e.made) = 1",
    place=at("e"),
    cure=("create statistics entries_month on (extract(month from made)) from entries", "analyze entries"),
    others={
        "an entry": "select * from entries where id = 4",
        "a coast": "select count(*) from stations where coast = 'coast 3'",
    },
)

FREQUENT_PATIENTS: Final = Fault(
    name="patients that came more than thirty times, counted in a subquery",
    code="computed_result_filter",
    source=_HAVING,
    schema="""
create table patients (id int primary key, ward text not null);
insert into patients select i, 'ward ' || i % 12 from generate_series(1, 20000) i;
create table calls (id int primary key, patient_id int not null);
insert into calls
  select i, case when i % 50 = 0 then 1 + i % 8 else 10 + i % 15000 end from generate_series(1, 60000) i;
analyze patients;
analyze calls;
""",
    query="select count(*), min(p.ward) from (select c.patient_id, count(*) as times from calls c"
    " group by c.patient_id having count(*) > 30) often join patients p on p.id = often.patient_id",
    place=at("c", grouping=True),
    cure=(
        "create temporary table often_seen as"
        " select patient_id, count(*) as times from calls group by patient_id having count(*) > 30",
        "analyze often_seen",
    ),
    cured_query="select count(*), min(p.ward) from often_seen often join patients p on p.id = often.patient_id",
    cured_place=at("often"),
    others={
        "a patient": "select * from patients where id = 4",
        "a ward": "select count(*) from patients where ward = 'ward 3'",
    },
)

LAST_READING: Final = Fault(
    name="the last reading of each vat by its number in a window",
    code="computed_result_filter",
    source=_HAVING + "; window functions are computed after WHERE (PostgreSQL documentation, tutorial)",
    schema="""
create table casks (id int primary key, wood text not null);
insert into casks select i, 'wood ' || i % 9 from generate_series(1, 25000) i;
create table readings (id int primary key, cask_id int not null, degrees int not null);
insert into readings select i, 1 + i % 25000, i % 30 from generate_series(1, 50000) i;
analyze casks;
analyze readings;
""",
    query="select c.wood, count(*) from (select r.cask_id, r.degrees,"
    " row_number() over (partition by r.cask_id order by r.id desc) as place from readings r) last"
    " join casks c on c.id = last.cask_id where last.place = 1 group by c.wood",
    place=at("r"),
    cure=(
        "create temporary table last_readings as select distinct on (cask_id) cask_id, degrees from readings"
        " order by cask_id, id desc",
        "analyze last_readings",
    ),
    cured_query="select c.wood, count(*) from last_readings join casks c on c.id = last_readings.cask_id"
    " group by c.wood",
    cured_place=at("last_readings"),
    others={
        "a cask": "select * from casks where id = 4",
        "warm readings": "select count(*) from readings where degrees > 28",
    },
)

FAULTS: Final = (
    FEW_FROM_A_FUNCTION,
    MANY_FROM_A_FUNCTION,
    LOWER_NAME,
    DOCUMENT_FIELD,
    MONTH_OF_LOG,
    FREQUENT_PATIENTS,
    LAST_READING,
)
