"""Traps whose estimates are right: the plan is slow or looks plain, and nothing about statistics is to be changed."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Trap, at

SLOW_SORT: Final = Trap(
    name="all plates in the order of their notes: the time is in the sort",
    source="PostgreSQL documentation, 'Using EXPLAIN': the sort's own time and work_mem",
    schema="""
create table noted (id int primary key, crate_id int not null, note text not null);
insert into noted select i, 1 + i % 2000, md5(i::text) from generate_series(1, 50000) i;
create table note_crates (id int primary key, room int not null);
insert into note_crates select i, i % 7 from generate_series(1, 2000) i;
analyze noted;
analyze note_crates;
""",
    query="select n.note, c.room from noted n join note_crates c on c.id = n.crate_id order by n.note",
    place=at("n"),
    looks_off=False,
    others={
        "a note": "select * from noted where id = 12",
        "a crate": "select * from note_crates where id = 12",
    },
)

MOST_OF_THEM: Final = Trap(
    name="nine of ten jars are full, so their index is of no use",
    source="PostgreSQL documentation, 'Examining Index Usage': a sequential scan can be right",
    schema="""
create table jars (id int primary key, brim text not null, lid_id int not null);
insert into jars select i, case when i % 10 = 0 then 'empty' else 'full' end, 1 + i % 15000
  from generate_series(1, 60000) i;
create index on jars (lid_id);
create table lids (id int primary key, metal text not null);
insert into lids select i, 'metal ' || i % 5 from generate_series(1, 15000) i;
analyze jars;
analyze lids;
""",
    query="select count(*), min(l.metal) from jars j join lids l on l.id = j.lid_id where j.brim = 'full'",
    place=at("j"),
    looks_off=False,
    useless=("create index on jars (brim)",),
    others={
        "jars of a lid": "select * from jars where lid_id = 12",
        "a lid": "select * from lids where id = 12",
    },
)

ALREADY_DESCRIBED: Final = Trap(
    name="bay and berth go together, and an object of statistics says so",
    source="PostgreSQL documentation, 'Multivariate Statistics Examples'",
    schema="""
create table moorings (id int primary key, bay int not null, berth int not null);
insert into moorings select i, i % 80 / 10, i % 80 from generate_series(1, 40000) i;
create table ropes (mooring_id int primary key, metres int not null);
insert into ropes select i, i % 60 from generate_series(1, 40000) i;
create statistics moorings_place (dependencies, mcv) on bay, berth from moorings;
analyze moorings;
analyze ropes;
""",
    query="select count(*), max(r.metres) from moorings m join ropes r on r.mooring_id = m.id"
    " where m.bay = 3 and m.berth = 33",
    place=at("m"),
    looks_off=False,
    useless=("create statistics once_more (dependencies, mcv) on bay, berth from moorings", "analyze moorings"),
    others={
        "a bay": "select count(*) from moorings where bay = 3",
        "a rope": "select * from ropes where mooring_id = 12",
    },
)

NONE_OF_SIX: Final = Trap(
    name="a few scores were expected of a composer who wrote none",
    source="PostgreSQL documentation, 'Row Estimation Examples': a value outside the list of common values",
    schema="""
create table scores (id int primary key, composer int not null, bars int not null);
insert into scores select i, i % 5000, i % 400 from generate_series(1, 20000) i;
create index on scores (composer);
create table composers (id int primary key, name text not null);
insert into composers select i, 'composer ' || i from generate_series(1, 6000) i;
analyze scores;
analyze composers;
""",
    query="select s.id, c.name from scores s join composers c on c.id = s.composer where s.composer = 5900",
    place=at("s"),
    looks_off=False,
    useless=("analyze scores",),
    others={
        "a score": "select * from scores where id = 12",
        "a composer": "select * from composers where id = 12",
    },
)

EVERYTHING_TWICE: Final = Trap(
    name="all hearings with all their rooms: each row is wanted, and a hash join is right",
    source="PostgreSQL documentation, 'Planner/Optimizer': hash joins, which read each side once",
    schema="""
create table rooms (id int primary key, wing text not null);
insert into rooms select i, 'wing ' || i % 6 from generate_series(1, 4000) i;
create table bookings (id int primary key, room_id int not null, minutes int not null);
insert into bookings select i, 1 + i % 4000, i % 240 from generate_series(1, 60000) i;
create index on bookings (room_id);
analyze rooms;
analyze bookings;
""",
    query="select r.wing, sum(b.minutes) from bookings b join rooms r on r.id = b.room_id group by r.wing",
    place=at("b"),
    looks_off=False,
    others={
        "bookings of a room": "select * from bookings where room_id = 12",
        "a room": "select * from rooms where id = 12",
    },
)

TRAPS: Final = (SLOW_SORT, MOST_OF_THEM, ALREADY_DESCRIBED, NONE_OF_SIX, EVERYTHING_TWICE)
