"""Functions, expressions and computed results, of which the planner has only a default."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

from .schemas import (
    BEES,
    BEES_LIST,
    CHOIR,
    CHOIR_LIST,
    FERRY,
    FERRY_LIST,
    HOSTEL,
    HOSTEL_LIST,
    TRAMS,
    TRAMS_LIST,
    spread,
)

_DUE: Final = Fault(
    name="a function that lists what is due",
    code="function_row_default",
    source="PostgreSQL documentation, 'CREATE FUNCTION', ROWS: 1000 rows are assumed; citusdata/citus, pull request"
    " 1869,"
    " tells of poor joins by it",
    schema=FERRY
    + f"""
    create table sailings (sailing_id int primary key, route_id int not null references routes,
      vessel_id int not null references vessels, day int not null);
    insert into sailings select i, 1 + {spread(30, 300)}, 1 + {spread(31, 40)}, {spread(32, 365)}
      from generate_series(1, 60000) i;
    create index on sailings (day);
    analyze sailings;
    create function due_after(first_day int) returns table (sailing_id int) language plpgsql stable as $$
    begin return query select s.sailing_id from sailings s where s.day >= first_day; end $$;
    """,
    query="select v.name, count(*) from due_after(60) d join sailings s using (sailing_id)"
    " join vessels v using (vessel_id) join routes r using (route_id) where r.miles > 15 group by v.name",
    place=at("d"),
    cure=("alter function due_after(int) rows 50000",),
    others={**FERRY_LIST, "a day": "select count(*) from sailings where day = 12"},
)

_UNNESTED: Final = Fault(
    name="a document of readings taken apart",
    code="function_row_default",
    source="skyportal/healpix-alchemy, pull request 55: a function that returns a set was expected to give 100 rows and"
    " gave thousands; the planner nested a loop over it",
    schema=TRAMS
    + f"""
    create table imports (import_id int primary key, depot_id int not null references depots, doc jsonb not null);
    create table odometers (odometer_id int primary key, car_id int not null references cars, km int not null);
    insert into imports select k, 1 + k % 12, case when k = 5 then (select jsonb_agg(1 + {spread(33, 3000)})
      from generate_series(1, 30000) i) else '[1, 2]'::jsonb end from generate_series(1, 30) k;
    insert into odometers select i, 1 + i % 3000, i from generate_series(1, 30000) i;
    create index on odometers (car_id);
    analyze imports, odometers;
    """,
    query="select c.maker, count(*) from imports i cross join lateral jsonb_array_elements_text(i.doc) as e(car)"
    " join cars c on c.car_id = e.car::int join depots d on d.depot_id = c.depot_id where i.import_id = 5 group by"
    " c.maker",
    place=at("e"),
    cure=("alter function pg_catalog.jsonb_array_elements_text(jsonb) rows 30000",),
    others={**TRAMS_LIST, "km of a car": "select km from odometers where car_id = 44"},
)

_LOWERED: Final = Fault(
    name="makers compared in lower case",
    code="expression_without_statistics",
    source="akash-network/console, pull request 3836: statistics on lower(vendor), so that the filter isn't"
    " estimated at"
    " a handful of rows",
    schema=TRAMS
    + f"""
    create table parts (part_id int primary key, car_id int not null references cars,
      workshop_id int not null references workshops, vendor text not null);
    insert into parts select i, 1 + {spread(34, 3000)}, 1 + i % 30,
      case when i % 10 < 7 then 'Ruhrwerk' else 'Vendor ' || i % 90 end from generate_series(1, 70000) i;
    analyze parts;
    """,
    query="select d.name, count(*) from parts p join cars c using (car_id) join depots d using (depot_id)"
    " where lower(p.vendor) = 'ruhrwerk' group by d.name",
    place=at("p"),
    cure=("create statistics parts_lower on (lower(vendor)) from parts", "analyze parts"),
    others={**TRAMS_LIST, "parts of a car": "select vendor from parts where car_id = 17"},
)

_FIELD: Final = Fault(
    name="an outcome inside a document",
    code="expression_without_statistics",
    source="PostgreSQL documentation, 'CREATE STATISTICS': on expressions, as an index on the expression would collect"
    " them; the field of a document is common practice",
    schema=BEES
    + f"""
    create table inspections (inspection_id int primary key, colony_id int not null references colonies,
      inspector_id int not null references inspectors, report jsonb not null);
    insert into inspections select i, 1 + {spread(35, 16000)}, 1 + i % 60,
      jsonb_build_object('outcome', case when i % 9 = 0 then 'mites' else 'healthy' end, 'frames', i % 12)
      from generate_series(1, 60000) i;
    analyze inspections;
    """,
    query="select b.name, count(*) from inspections i join colonies c using (colony_id) join breeds b using (breed_id)"
    " join apiaries a using (apiary_id) where i.report ->> 'outcome' = 'healthy' and a.altitude < 1000 group by b.name",
    place=at("i"),
    cure=("create statistics inspections_outcome on (report ->> 'outcome') from inspections", "analyze inspections"),
    others={**BEES_LIST, "inspections of a colony": "select report from inspections where colony_id = 17"},
)

_DAYS: Final = Fault(
    name="grouped by the day of a time",
    code="expression_without_statistics",
    source="H.-J. Schoenig, 'Improving GROUP BY with CREATE STATISTICS', 2023: the groups of date_trunc are taken"
    " for as"
    " many as the times",
    schema=HOSTEL
    + f"""
    create table arrivals (arrival_id int primary key, member_id int not null references members,
      hostel_id int not null references hostels, came_at timestamp not null);
    insert into arrivals select i, 1 + {spread(36, 20000)}, 1 + {spread(37, 200)},
      timestamp '2025-01-01' + i * interval '71 seconds' from generate_series(1, 110000) i;
    analyze arrivals;
    """,
    query="select date_trunc('day', a.came_at), count(*) from arrivals a join hostels h using (hostel_id)"
    " join towns t using (town_id) group by date_trunc('day', a.came_at)",
    place=at("a", "h", "t", grouping=True),
    cure=("create statistics arrivals_day on (date_trunc('day', came_at)) from arrivals", "analyze arrivals"),
    others={**HOSTEL_LIST, "arrivals of a member": "select came_at from arrivals where member_id = 17"},
)

_HAVING: Final = Fault(
    name="singers with a single loan",
    code="computed_result_filter",
    source="PostgreSQL documentation, 'How the Planner Uses Statistics': the statistics are of a table's columns;"
    " kirill-markin/flashcards-open-source-app, pull request 1867: what a query computes carries none",
    schema=CHOIR
    + f"""
    create table loans (loan_id int primary key, singer_id int not null, work_id int not null references works);
    insert into loans select i, i, 1 + {spread(38, 6000)} from generate_series(1, 7000) i;
    insert into loans select i, 7001 + i % 900, 1 + {spread(39, 6000)} from generate_series(7001, 60000) i;
    analyze loans;
    """,
    query="select s.voice, count(*) from (select l.singer_id, count(*) as n from loans l group by l.singer_id"
    " having count(*) = 1) once join singers s using (singer_id) join loans x using (singer_id)"
    " join works w using (work_id) where w.voices > 2 group by s.voice",
    place=at("l", grouping=True),
    cure=(
        "create temp table once as select singer_id from loans group by singer_id having count(*) = 1",
        "analyze once",
    ),
    cured_query="select s.voice, count(*) from once join singers s using (singer_id) join loans x using (singer_id)"
    " join works w using (work_id) where w.voices > 2 group by s.voice",
    cured_place=at("once"),
    others={**CHOIR_LIST, "loans of a singer": "select work_id from loans where singer_id = 17"},
)

_LATEST: Final = Fault(
    name="the latest reading of each colony",
    code="computed_result_filter",
    source="W. Hackett, '12 seconds to scan 3,000 rows': the result of a window function is filtered, one row is"
    " expected, and loops are nested over thousands",
    schema=BEES
    + f"""
    create table scales (scale_id int primary key, colony_id int not null references colonies, day int not null,
      grams int not null);
    insert into scales select i, 1 + i % 16000, i / 16000, {spread(40, 60000)} from generate_series(1, 80000) i;
    create index on scales (colony_id);
    analyze scales;
    """,
    query="select b.name, avg(m.grams) from (select s.colony_id, s.grams, row_number() over (partition by s.colony_id"
    " order by s.day desc) as rank from scales s) m join colonies c using (colony_id) join breeds b using (breed_id)"
    " join apiaries a using (apiary_id) where m.rank = 1 and a.altitude < 1100 group by b.name",
    place=at("s"),
    cure=(
        "create temp table latest as select m.colony_id, m.grams from (select s.colony_id, s.grams, row_number() over"
        " (partition by s.colony_id order by s.day desc) as rank from scales s) m where m.rank = 1",
        "analyze latest",
    ),
    cured_query="select b.name, avg(m.grams) from latest m join colonies c using (colony_id)"
    " join breeds b using (breed_id) join apiaries a using (apiary_id) where a.altitude < 1100 group by b.name",
    cured_place=at("m"),
    others={**BEES_LIST, "readings of a colony": "select grams from scales where colony_id = 17"},
)

FAULTS: Final = (_DUE, _UNNESTED, _LOWERED, _FIELD, _DAYS, _HAVING, _LATEST)
