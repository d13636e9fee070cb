"""Statistics that are old, or were never taken."""

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
    SEEDS,
    SEEDS_LIST,
    TRAMS,
    TRAMS_LIST,
    spread,
)

_NEW_TENANT: Final = Fault(
    name="a new association among old ones",
    code="stale_statistics",
    source="gramps-project/addons-source, pull request 1024: an import into shared tables stays below the share of"
    " changed rows at which autovacuum analyzes, and its key is in no list",
    schema=BEES
    + f"""
    create table weighings (weighing_id int primary key, association_id int not null,
      colony_id int not null references colonies, grams int not null);
    insert into weighings select i, 1 + i % 20, 1 + {spread(14, 16000)}, {spread(15, 40000)}
      from generate_series(1, 160000) i;
    create index on weighings (association_id);
    analyze weighings;
    insert into weighings select i, 21, 1 + {spread(14, 16000)}, {spread(15, 40000)}
      from generate_series(160001, 172000) i;
    """,
    query="select b.name, avg(w.grams) from weighings w join colonies c using (colony_id) join breeds b using"
    " (breed_id)"
    " join apiaries a using (apiary_id) where w.association_id = 21 and a.altitude < 900 group by b.name",
    place=at("w"),
    cure=("analyze weighings",),
    others={**BEES_LIST, "an old association": "select avg(grams) from weighings where association_id = 4"},
)

_FLIPPED: Final = Fault(
    name="orders that were printed since",
    code="stale_statistics",
    source="PostgreSQL documentation, 'Updating Planner Statistics': a column whose values change wants ANALYZE more"
    " often; terraware/terraware-server, pull request 460, met it after bulk changes",
    schema=CHOIR
    + f"""
    create table copies (copy_id int primary key, work_id int not null references works,
      shelf_id int not null references shelves, state text not null);
    insert into copies select i, 1 + {spread(16, 6000)}, 1 + i % 90, case when i % 200 = 0 then 'lost' else
      'ordered' end
      from generate_series(1, 70000) i;
    create index on copies (state);
    analyze copies;
    update copies set state = 'printed' where copy_id % 3 <> 0 and state = 'ordered';
    """,
    query="select c.born, count(*) from copies k join works w using (work_id) join composers c using (composer_id)"
    " where k.state = 'printed' group by c.born",
    place=at("k"),
    cure=("analyze copies",),
    others={
        **CHOIR_LIST,
        "lost copies": "select shelf_id, count(*) from copies where state = 'lost' group by shelf_id",
    },
)

_EMPTY: Final = Fault(
    name="analyzed while it was empty",
    code="stale_statistics",
    also_right=frozenset({"never_analyzed"}),
    source="CartoDB/cartodb, pull request 11480: a table analyzed before it is filled keeps blank statistics",
    schema=SEEDS
    + f"""
    create table germinations (germination_id int primary key, accession_id int not null references accessions,
      outcome text not null, days int not null);
    analyze germinations;
    insert into germinations select i, 1 + {spread(17, 20000)}, case when i % 10 < 8 then 'sprouted' else 'failed' end,
      i % 60 from generate_series(1, 60000) i;
    """,
    query="select f.name, count(*) from germinations g join accessions a using (accession_id)"
    " join species s using (species_id) join families f using (family_id) where g.outcome = 'sprouted' group by f.name",
    place=at("g"),
    cure=("analyze germinations",),
    others={**SEEDS_LIST, "slow ones": "select count(*) from germinations where days > 50"},
)

_RESTORED: Final = Fault(
    name="a restored table without ANALYZE",
    code="never_analyzed",
    source="andyatkinson/rideshare, pull request 171, and PostgreSQL documentation, 'Populating a Database': run"
    " ANALYZE after a load, else the planner has no statistics",
    schema=TRAMS
    + f"""
    create table trips (trip_id int primary key, car_id int not null references cars,
      line_id int not null references lines, complaint text);
    insert into trips select i, 1 + {spread(18, 3000)}, 1 + {spread(19, 40)}, case when i % 25 = 0 then 'late' end
      from generate_series(1, 90000) i;
    """,
    query="select d.name, count(*) from trips t join cars c using (car_id) join depots d using (depot_id)"
    " join lines l using (line_id) where t.complaint is null and l.colour = 'colour 3' group by d.name",
    place=at("t"),
    cure=("analyze trips",),
    others={**TRAMS_LIST, "complaints of a car": "select complaint from trips where car_id = 9"},
)

_MATERIALIZED: Final = Fault(
    name="a materialized view that nobody analyzed",
    code="never_analyzed",
    source="PostgreSQL documentation, 'ANALYZE' and 'CREATE MATERIALIZED VIEW': it holds rows of its own, whose"
    " statistics are taken as for a table",
    schema=FERRY
    + f"""
    create table bookings (booking_id int primary key, route_id int not null references routes, class text not null,
      vessel_id int not null references vessels, day int not null);
    insert into bookings select i, 1 + {spread(20, 300)}, case when i % 12 = 0 then 'cabin' else 'deck' end,
      1 + {spread(21, 40)}, {spread(22, 365)} from generate_series(1, 90000) i;
    analyze bookings;
    create materialized view daily_load as select route_id, vessel_id, day, class, count(*) as seats
      from bookings group by route_id, vessel_id, day, class;
    create index on daily_load (class);
    """,
    query="select v.name, sum(d.seats) from daily_load d join routes r using (route_id) join vessels v using"
    " (vessel_id)"
    " where d.class = 'deck' and r.miles > 20 group by v.name",
    place=at("d"),
    cure=("analyze daily_load",),
    others={**FERRY_LIST, "bookings of a route": "select count(*) from bookings where route_id = 12"},
)

_YEARS: Final = " ".join(
    f"create table loans_{year} partition of loans for values from ({year}) to ({year + 1});"
    for year in range(2021, 2025)
)

_GROUPS: Final = Fault(
    name="loans by year, analyzed year by year",
    code="partition_parent_not_analyzed",
    source="PostgreSQL documentation, 'The Autovacuum Daemon': partitioned tables are not analyzed by it; commit"
    " 61fa6ca7 'Document autoanalyze limitations for partitioned tables'",
    schema=CHOIR
    + f"""
    create table loans (loan_id int not null, year int not null, singer_id int not null, work_id int not null)
      partition by range (year);
    {_YEARS}
    insert into loans select i, 2021 + i % 4, 1 + {spread(23, 8000)}, 1 + {spread(24, 6000)}
      from generate_series(1, 120000) i;
    analyze loans_2021; analyze loans_2022; analyze loans_2023; analyze loans_2024;
    """,
    query="select l.singer_id, count(*) from loans l join works w using (work_id) join composers c using (composer_id)"
    " where c.born < 1750 group by l.singer_id",
    place=at("l", "w", "c", grouping=True),
    cure=("analyze loans",),
    others={**CHOIR_LIST, "loans of a year": "select count(*) from loans where year = 2022 and work_id < 100"},
)

_HALVES: Final = " ".join(
    f"create table {name}_{half} partition of {name} for values with (modulus 2, remainder {half});"
    for name in ("bed_nights", "breakfasts")
    for half in (0, 1)
)

_BOTH: Final = Fault(
    name="nights and breakfasts, each in partitions",
    code="partition_parent_not_analyzed",
    source="pgpartman/pg_partman, issue 456: the parent of a partition set isn't analyzed with its children, which"
    " leads"
    " to bad plans",
    schema=HOSTEL
    + f"""
    create table bed_nights (guest_no int not null, hostel_id int not null, night int not null)
      partition by hash (night);
    create table breakfasts (guest_no int not null, dish text not null, day int not null) partition by hash (day);
    {_HALVES}
    insert into bed_nights select 1 + i % 25000, 1 + {spread(25, 200)}, i from generate_series(1, 50000) i;
    insert into breakfasts select 1 + i % 25000, 'dish ' || i % 6, i from generate_series(1, 50000) i;
    analyze bed_nights_0; analyze bed_nights_1; analyze breakfasts_0; analyze breakfasts_1;
    """,
    query="select h.beds, count(*) from bed_nights n join breakfasts b using (guest_no) join hostels h using"
    " (hostel_id)"
    " join towns t using (town_id) where t.region = 'north' group by h.beds",
    place=at("n", "b", "h", "t"),
    cure=("analyze bed_nights", "analyze breakfasts"),
    others={**HOSTEL_LIST, "a dish": "select count(*) from breakfasts where dish = 'dish 3'"},
)

FAULTS: Final = (_NEW_TENANT, _FLIPPED, _EMPTY, _RESTORED, _MATERIALIZED, _GROUPS, _BOTH)
