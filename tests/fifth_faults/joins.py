"""Joins whose tables know of each other what no table's statistics tell."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

_LOOKUP: Final = (
    "V. Leis et al., 'How Good Are Query Optimizers, Really?', PVLDB 9(3), 2015 (join-crossing correlations);"
    " PostgreSQL documentation, CREATE STATISTICS: not used for joins"
)
_PARTNERS: Final = (
    "eqjoinsel_semi and eqjoinsel_inner in src/backend/utils/adt/selfuncs.c: the smaller side's values are thought"
    " to be among the larger side's"
)

LAMP_OIL: Final = Fault(
    name="deliveries of the one good that nearly all deliveries bring, by its name",
    code="cross_table_correlation",
    source=_LOOKUP,
    schema="""
create table goods (id int primary key, name text not null unique);
insert into goods select i, case when i = 7 then 'lamp oil' else 'good ' || i end from generate_series(1, 300) i;
create table deliveries (id int primary key, good_id int not null, pier_id int not null);
insert into deliveries
  select i, case when i % 10 < 8 then 7 else 1 + i % 300 end, 1 + (i * 7) % 25000 from generate_series(1, 60000) i;
create index on deliveries (good_id);
create table piers (id int primary key, island text not null);
insert into piers select i, 'island ' || i % 19 from generate_series(1, 25000) i;
analyze goods;
analyze deliveries;
analyze piers;
""",
    query="select count(*), min(p.island) from goods g join deliveries d on d.good_id = g.id"
    " join piers p on p.id = d.pier_id where g.name = 'lamp oil'",
    place=at("g", "d"),
    cure=(),
    cured_query="select count(*), min(p.island) from deliveries d join piers p on p.id = d.pier_id where d.good_id = 7",
    cured_place=at("d"),
    others={
        "a pier": "select * from piers where id = 5",
        "a rare good": "select count(*) from deliveries where good_id = 9",
    },
)

BIGGEST_CLINIC: Final = Fault(
    name="stays at the clinic of the capital, found by its town's name",
    code="cross_table_correlation",
    source=_LOOKUP,
    schema="""
create table clinics (id int primary key, town text not null, beds int not null);
insert into clinics select i, case when i = 33 then 'capital' else 'town ' || i end, i % 90
  from generate_series(1, 500) i;
create table stays (id int primary key, clinic_id int not null, animal_id int not null, nights int not null);
insert into stays
  select i, case when i % 3 > 0 then 33 else 1 + i % 500 end, 1 + (i * 11) % 30000, i % 9
  from generate_series(1, 54000) i;
create table ponies (id int primary key, colour text not null);
insert into ponies select i, 'colour ' || i % 8 from generate_series(1, 30000) i;
analyze clinics;
analyze stays;
analyze ponies;
""",
    query="select y.colour, sum(s.nights) from stays s join clinics c on c.id = s.clinic_id"
    " join ponies y on y.id = s.animal_id where c.town = 'capital' group by y.colour",
    place=at("s", "c"),
    cure=(),
    cured_query="select y.colour, sum(s.nights) from stays s join ponies y on y.id = s.animal_id"
    " where s.clinic_id = 33 group by y.colour",
    cured_place=at("s"),
    others={
        "a clinic": "select * from clinics where id = 5",
        "long stays": "select count(*) from stays where nights = 8",
    },
)

REGION_AND_SEASON: Final = Fault(
    name="a coast's boats go out in that coast's season only",
    code="cross_table_correlation",
    source=_LOOKUP,
    schema="""
create table boats (id int primary key, coast int not null, name text not null);
insert into boats select i, i % 50, 'boat ' || i from generate_series(1, 20000) i;
create table trips (id int primary key, boat_id int not null, season int not null, fish int not null);
insert into trips select i, 1 + i % 20000, (1 + i % 20000) % 50, i % 700 from generate_series(1, 60000) i;
create index on trips (boat_id);
create table scales (trip_id int primary key, kilos int not null);
insert into scales select i, i % 300 from generate_series(1, 60000) i;
analyze boats;
analyze trips;
analyze scales;
""",
    query="select count(*), sum(s.kilos) from boats b join trips t on t.boat_id = b.id"
    " join scales s on s.trip_id = t.id where b.coast = 7 and t.season = 7",
    place=at("b", "t"),
    cure=(
        "alter table trips add column coast int",
        "update trips set coast = b.coast from boats b where b.id = trips.boat_id",
        "create statistics trips_when (dependencies, mcv) on coast, season from trips",
        "analyze trips",
    ),
    cured_query="select count(*), sum(s.kilos) from trips t join scales s on s.trip_id = t.id"
    " where t.coast = 7 and t.season = 7",
    cured_place=at("t"),
    others={
        "a boat": "select * from boats where id = 5",
        "full nets": "select count(*) from trips where fish > 690",
    },
)

UNVISITED: Final = Fault(
    name="horses without a visit, where the visits are of another stable's horses",
    code="join_partner_share",
    source=_PARTNERS,
    schema="""
create table horses (id int primary key, stable text not null);
insert into horses select i, 'stable ' || i % 13 from generate_series(1, 20000) i;
create table calls_out (id int primary key, horse_id int not null);
insert into calls_out select i, 19000 + i % 25000 from generate_series(1, 50000) i;
create index on calls_out (horse_id);
create table passports (horse_id int primary key, issued int not null);
insert into passports select i, i % 30 from generate_series(1, 20000) i;
analyze horses;
analyze calls_out;
analyze passports;
""",
    query="select count(*), max(p.issued) from horses h join passports p on p.horse_id = h.id"
    " where not exists (select from calls_out c where c.horse_id = h.id)",
    place=at("h", "c"),
    cure=(
        "alter table horses add column visited boolean",
        "update horses set visited = exists (select from calls_out c where c.horse_id = horses.id)",
        "analyze horses",
    ),
    cured_query="select count(*), max(p.issued) from horses h join passports p on p.horse_id = h.id"
    " where not h.visited",
    cured_place=at("h"),
    others={
        "a horse": "select * from horses where id = 5",
        "passports by year": "select issued, count(*) from passports group by issued",
    },
)

TWO_NUMBERINGS: Final = Fault(
    name="two archives number their plates apart and share few numbers",
    code="join_partner_share",
    source=_PARTNERS,
    schema="""
create table north_plates (plate int primary key, exposure int not null);
insert into north_plates select i, i % 60 from generate_series(1, 30000) i;
create table south_plates (plate int primary key, emulsion int not null);
insert into south_plates select i, i % 8 from generate_series(29901, 59900) i;
create table drawers (plate int primary key, shelf int not null);
insert into drawers select i, i % 44 from generate_series(1, 30000) i;
analyze north_plates;
analyze south_plates;
analyze drawers;
""",
    query="select count(*), max(d.shelf) from north_plates n join south_plates s on s.plate = n.plate"
    " join drawers d on d.plate = n.plate",
    place=at("n", "s"),
    cure=(
        "alter table north_plates add column shared boolean",
        "update north_plates set shared = exists (select from south_plates s where s.plate = north_plates.plate)",
        "analyze north_plates",
    ),
    cured_query="select count(*), max(d.shelf) from north_plates n join drawers d on d.plate = n.plate where n.shared",
    cured_place=at("n"),
    others={
        "a plate": "select * from north_plates where plate = 5",
        "an emulsion": "select count(*) from south_plates where emulsion = 3",
    },
)

FAULTS: Final = (LAMP_OIL, BIGGEST_CLINIC, REGION_AND_SEASON, UNVISITED, TWO_NUMBERINGS)
