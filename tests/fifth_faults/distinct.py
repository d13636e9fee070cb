"""Numbers of groups: of combinations that the planner multiplies, and of values that it miscounts."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

_GROUPS: Final = "PostgreSQL documentation, 'Multivariate Statistics Examples': multivariate N-distinct counts"
_SETTING: Final = "PostgreSQL documentation, ALTER TABLE, attribute option n_distinct"
_SAMPLING: Final = (
    "PostgreSQL documentation, ALTER TABLE, n_distinct ('when ANALYZE's estimates are wrong'); P. Haas, L. Stokes,"
    " 'Estimating the Number of Classes in a Finite Population', JASA 93, 1998, on which it rests"
)

VALLEY_AND_POST: Final = Fault(
    name="deliveries by valley and post office, where an office serves one valley",
    code="ndistinct_multi_column",
    source=_GROUPS,
    schema="""
create table parcels (id int primary key, valley int not null, office int not null, grams int not null);
insert into parcels select i, i % 300 % 60, i % 300, i % 977 from generate_series(1, 60000) i;
create table offices (office int not null, letter int not null, opened int not null, primary key (office, letter));
insert into offices select i % 300, i / 300, i % 12 from generate_series(0, 29999) i;
analyze parcels;
analyze offices;
""",
    query="select count(*), max(o.opened) from (select p.valley, p.office, sum(p.grams) as grams from parcels p"
    " group by p.valley, p.office) g join offices o on o.office = g.office and o.letter = 3",
    place=at("p", grouping=True),
    cure=("create statistics parcels_place (ndistinct) on valley, office from parcels", "analyze parcels"),
    others={
        "an office": "select count(*) from parcels where office = 12",
        "opened early": "select count(*) from offices where opened < 2",
    },
)

STAGE_PLAN: Final = Fault(
    name="distinct play, act and scene of a wardrobe's cues",
    code="ndistinct_multi_column",
    source=_GROUPS,
    schema="""
create table cues (id int primary key, play int not null, act int not null, scene int not null);
insert into cues select i, i % 240 / 8, i % 240 / 2, i % 240 from generate_series(1, 72000) i;
create table scripts (play int not null, page int not null, words int not null, primary key (play, page));
insert into scripts select i % 30, i / 30, i % 400 from generate_series(0, 23999) i;
analyze cues;
analyze scripts;
""",
    query="select count(*), max(s.words) from (select distinct c.play, c.act, c.scene from cues c) k"
    " join scripts s on s.play = k.play and s.page = k.scene",
    place=at("c", grouping=True),
    cure=("create statistics cues_place (ndistinct) on play, act, scene from cues", "analyze cues"),
    others={
        "a play": "select count(*) from cues where play = 12",
        "wordy pages": "select count(*) from scripts where words > 390",
    },
)

SET_LONG_AGO: Final = Fault(
    name="the number of chips was set by hand when there were forty",
    code="ndistinct_wrong",
    source=_SETTING,
    schema="""
create table chip_reads (id int primary key, chip int not null, gate int not null);
insert into chip_reads select i, i % 18000, i % 14 from generate_series(1, 54000) i;
alter table chip_reads alter column chip set (n_distinct = 40);
create table chips (chip int primary key, maker text not null);
insert into chips select i, 'maker ' || i % 9 from generate_series(0, 20000) i;
analyze chip_reads;
analyze chips;
""",
    query="select count(*), min(c.maker) from (select r.chip, count(*) as reads from chip_reads r group by r.chip) g"
    " join chips c on c.chip = g.chip",
    place=at("r", grouping=True),
    cure=("alter table chip_reads alter column chip reset (n_distinct)", "analyze chip_reads"),
    others={
        "a gate": "select count(*) from chip_reads where gate = 2",
        "a maker": "select count(*) from chips where maker = 'maker 2'",
    },
)

RARE_STARS: Final = Fault(
    name="nine of ten sightings are of a hundred stars, the rest of a star each",
    code="ndistinct_wrong",
    source=_SAMPLING,
    schema="""
create table glimpses (star int not null, seen int not null);
insert into glimpses select case when i % 10 = 0 then 1000 + i / 10 else i % 100 end, i % 365
  from generate_series(1, 600000) i;
create table sky (star int primary key, colour text not null);
insert into sky select i, 'colour ' || i % 6 from generate_series(0, 62000) i;
analyze glimpses;
analyze sky;
""",
    query="select count(*), min(s.colour) from (select g.star, count(*) as times from glimpses g group by g.star) n"
    " join sky s on s.star = n.star",
    place=at("g", grouping=True),
    cure=("alter table glimpses alter column star set (n_distinct = 60100)", "analyze glimpses"),
    others={
        "a star": "select * from sky where star = 12",
        "a colour": "select count(*) from sky where colour = 'colour 2'",
    },
    prelude=("set max_parallel_workers_per_gather = 0",),
)

FAULTS: Final = (VALLEY_AND_POST, STAGE_PLAN, SET_LONG_AGO, RARE_STARS)
