"""Faults in how many groups there are: combinations of columns, and distinct values that are wrong."""

from __future__ import annotations

from typing import Final

from .model import Fault, at
from .schemas import HARBOUR, HARBOUR_OTHERS, SEEDS, SEEDS_OTHERS, TRAMS, TRAMS_OTHERS

_COMBINATIONS = (
    "PostgreSQL documentation, 'Multivariate N-Distinct Counts' (group by a, b) and 'Multivariate Statistics Examples'"
)
_OVERRIDE = "PostgreSQL documentation, ALTER TABLE, n_distinct"

COMBINATIONS: Final = (
    Fault(
        name="groups of district, valley and slope",
        code="ndistinct_multi_column",
        source=_COMBINATIONS,
        schema=SEEDS
        + """
create table walks (walk int primary key, district int not null, valley int not null, slope int not null,
  seeds int not null);
insert into walks select i, i % 60, 500 + i % 60, 900 + i % 60, i % 17 from generate_series(1, 30000) i;
create table valleys (valley int primary key, height int not null);
insert into valleys select i, i * 3 from generate_series(1, 120000) i;
analyze walks; analyze valleys;
""",
        query="select v.height, g.seeds from (select district, valley, slope, sum(seeds) as seeds from walks"
        " group by district, valley, slope) g join valleys v on v.valley = g.valley",
        place=at("walks", grouping=True),
        cure=("create statistics own_walks (ndistinct) on district, valley, slope from walks", "analyze walks"),
        others={**SEEDS_OTHERS, "a walk": "select seeds from walks where walk = 9"},
    ),
    Fault(
        name="duties by tram, depot and foreman",
        code="ndistinct_multi_column",
        source=_COMBINATIONS,
        schema=TRAMS
        + """
create table duties (duty int primary key, tram int not null, yard int not null, foreman int not null,
  hours int not null);
insert into duties select i, 1 + i % 100, (i % 100) / 2, 7000 + (i % 100) / 4, i % 9 from generate_series(1, 30000) i;
create table people (foreman int primary key, trade int not null);
insert into people select i, i % 30 from generate_series(1, 120000) i;
analyze duties; analyze people;
""",
        query="select p.trade, sum(g.hours) from (select tram, yard, foreman, sum(hours) as hours from duties"
        " group by tram, yard, foreman) g join people p on p.foreman = g.foreman group by p.trade",
        place=at("duties", grouping=True),
        cure=("create statistics own_duties (ndistinct) on tram, yard, foreman from duties", "analyze duties"),
        others={**TRAMS_OTHERS, "a yard": "select sum(hours) from duties where yard = 7"},
    ),
    Fault(
        name="lifts by dock and crane",
        code="ndistinct_multi_column",
        source=_COMBINATIONS,
        schema=HARBOUR
        + """
create table lifts (lift int primary key, dock int not null, crane int not null, tons int not null);
insert into lifts select i, i % 120, 5000 + i % 120, i % 30 from generate_series(1, 30000) i;
create table cranes (crane int primary key, made int not null);
insert into cranes select i, 1950 + i % 70 from generate_series(1, 120000) i;
analyze lifts; analyze cranes;
""",
        query="select n.made, sum(g.tons) from (select dock, crane, sum(tons) as tons from lifts group by dock, crane)"
        " g join cranes n on n.crane = g.crane group by n.made",
        place=at("lifts", grouping=True),
        cure=("create statistics own_lifts (ndistinct) on dock, crane from lifts", "analyze lifts"),
        others={**HARBOUR_OTHERS, "a dock": "select sum(tons) from lifts where dock = 3"},
    ),
)

WRONG: Final = (
    Fault(
        name="visitors of a sample with few rare ones",
        code="ndistinct_wrong",
        source="lastdba.com, 'From inaccurate DISTINCT to the principles of distinct estimation', 2025, on the Duj1"
        " estimator in src/backend/commands/analyze.c; " + _OVERRIDE,
        schema=HARBOUR
        + """
create table passes (pass int not null, visitor int not null);
insert into passes select i, case when i % 20 = 0 then 1000 + i else i % 40 end from generate_series(1, 600000) i;
create table visitors (visitor int primary key, trade int not null);
insert into visitors select i, i % 12 from generate_series(0, 99) i;
insert into visitors select 1000 + i, i % 12 from generate_series(20, 600000, 20) i;
analyze passes; analyze visitors;
""",
        query="select v.trade, sum(g.times) from (select visitor, count(*) as times from passes group by visitor) g"
        " join visitors v on v.visitor = g.visitor group by v.trade",
        place=at("passes", grouping=True),
        cure=("alter table passes alter column visitor set (n_distinct = -0.05)", "analyze passes"),
        others={**HARBOUR_OTHERS, "a trade": "select count(*) from visitors where trade = 7"},
    ),
    Fault(
        name="batches counted by hand long ago",
        code="ndistinct_wrong",
        source=_OVERRIDE + ": the value that is set overrides what ANALYZE finds",
        schema=SEEDS
        + """
create table packets (packet int primary key, batch int not null, seeds int not null);
insert into packets select i, 1 + i % 15000, i % 80 from generate_series(1, 30000) i;
alter table packets alter column batch set (n_distinct = 50);
create table batches (batch int primary key, shelf int not null);
insert into batches select i, i % 40 from generate_series(1, 100000) i;
analyze packets; analyze batches;
""",
        query="select b.shelf, sum(g.seeds) from (select batch, sum(seeds) as seeds from packets group by batch) g"
        " join batches b on b.batch = g.batch group by b.shelf",
        place=at("packets", grouping=True),
        cure=("alter table packets alter column batch reset (n_distinct)", "analyze packets"),
        others={**SEEDS_OTHERS, "a shelf": "select count(*) from batches where shelf = 4"},
    ),
    Fault(
        name="drivers taken for unique",
        code="ndistinct_wrong",
        source=_OVERRIDE + ": -1 says that all values are distinct",
        schema=TRAMS
        + """
create table shifts (shift int primary key, driver int not null, minutes int not null);
insert into shifts select i, 1 + i % 30, i % 480 from generate_series(1, 30000) i;
alter table shifts alter column driver set (n_distinct = -1);
create table drivers (driver int primary key, hired int not null);
insert into drivers select i, 1980 + i % 45 from generate_series(1, 120000) i;
analyze shifts; analyze drivers;
""",
        query="select d.hired, sum(g.minutes) from (select driver, sum(minutes) as minutes from shifts group by driver)"
        " g join drivers d on d.driver = g.driver group by d.hired",
        place=at("shifts", grouping=True),
        cure=("alter table shifts alter column driver reset (n_distinct)", "analyze shifts"),
        others={**TRAMS_OTHERS, "a shift": "select minutes from shifts where shift = 31"},
    ),
)

FAULTS: Final = (*COMBINATIONS, *WRONG)
