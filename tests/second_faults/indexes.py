"""Faults of indexes: one that is missing for the inner side, and one that lures where no statistics can help."""

from __future__ import annotations

from typing import Final

from .model import STATISTICS_KINDS, Fault, at
from .schemas import HARBOUR, HARBOUR_OTHERS, SEEDS, SEEDS_OTHERS, TRAMS, TRAMS_OTHERS

_REFERENCING = (
    "PostgreSQL documentation, 'Foreign Keys': no index on the referencing columns is made by itself, often it is a"
    " good idea to make one"
)
_MORE_INDEXES = (
    "V. Leis et al., 'How Good Are Query Optimizers, Really?', PVLDB 9(3), 2015: with more indexes, underestimates lead"
    " to nested loops that lose; pgsql-hackers, 'optimizer stats for joins/foreignkeys', 2025-12"
)
_LURED = frozenset({"unexplained", "cross_table_correlation"})

MISSING: Final = (
    Fault(
        name="stamps of two runs",
        code="missing_join_index",
        source=_REFERENCING,
        schema=TRAMS
        + """
create table stamps (stamp int primary key, ticket int not null references tickets, gate int not null);
insert into stamps select i, 1 + (i * 7) % 60000, i % 30 from generate_series(1, 150000) i;
analyze stamps;
""",
        query="select s.gate from tickets k join stamps s on s.ticket = k.ticket where k.run in (5, 17)",
        place=at("k", "s"),
        cure=("create index own_stamps on stamps (ticket)", "analyze stamps"),
        measure="pages",
        others={**TRAMS_OTHERS, "a gate": "select count(*) from stamps where gate = 4"},
    ),
    Fault(
        name="lashings of one ship",
        code="missing_join_index",
        source=_REFERENCING,
        schema=HARBOUR
        + """
create table lashings (lashing int primary key, cargo int not null references cargo, rope int not null);
insert into lashings select i, 1 + (i * 7) % 60000, i % 80 from generate_series(1, 150000) i;
analyze lashings;
""",
        query="select sum(l.rope) from calls c join cargo k on k.call = c.call join lashings l on l.cargo = k.cargo"
        " where c.ship = 77",
        place=at("c", "k", "l"),
        cure=("create index own_lashings on lashings (cargo)", "analyze lashings"),
        measure="pages",
        others={**HARBOUR_OTHERS, "a rope": "select count(*) from lashings where rope = 4"},
    ),
    Fault(
        name="envelopes asked for today",
        code="missing_join_index",
        source="common practice, no source: an index on the key by which few rows are looked up",
        schema=SEEDS
        + """
create table envelopes (envelope int primary key, barcode text not null, accession int not null references accessions);
insert into envelopes select i, 'EN' || i, 1 + i % 30000 from generate_series(1, 150000) i;
create table requests (request int primary key, day date not null, barcode text not null);
insert into requests select i, date '2026-01-01' + i / 10, 'EN' || i * 3 from generate_series(1, 5000) i;
analyze envelopes; analyze requests;
""",
        query="select a.country, e.envelope from requests q join envelopes e on e.barcode = q.barcode"
        " join accessions a on a.accession = e.accession where q.day = '2026-02-03'",
        place=at("q", "e"),
        cure=("create index own_envelopes on envelopes (barcode)", "analyze envelopes"),
        measure="pages",
        others={**SEEDS_OTHERS, "a request": "select barcode from requests where request = 70"},
    ),
)

LURING: Final = (
    Fault(
        name="visits of the owner of most hulls",
        code="luring_index",
        also_right=_LURED,
        source=_MORE_INDEXES,
        schema=HARBOUR
        + """
create table owners (owner int primary key, name text not null unique);
insert into owners select i, 'owner ' || i from generate_series(1, 300) i;
create table hulls (hull int primary key, owner int not null references owners);
insert into hulls select i, case when i % 10 < 8 then 7 else 1 + i % 300 end from generate_series(1, 6000) i;
create index hulls_of_owner on hulls (owner);
create table visits (visit int primary key, hull int not null, dues int not null, text text default repeat('v', 60));
insert into visits select i, 1 + (i * 7) % 6000, i % 90 from generate_series(1, 29999) i;
create index visits_of_hull on visits (hull);
analyze owners; analyze hulls; analyze visits;
""",
        query="select sum(v.dues) from owners o join hulls h on h.owner = o.owner join visits v on v.hull = h.hull"
        " where o.name = 'owner 7'",
        place=at("o", "h"),
        cure=("drop index visits_of_hull",),
        measure="pages",
        never_first=STATISTICS_KINDS,
        others={**HARBOUR_OTHERS, "dues": "select sum(dues) from visits where dues > 80"},
    ),
    Fault(
        name="orchids are sown cold",
        code="luring_index",
        also_right=_LURED,
        source=_MORE_INDEXES,
        schema=SEEDS
        + """
create table lots (lot int primary key, family text not null);
insert into lots select i, case when i % 20 = 0 then 'orchid' else 'other' end from generate_series(1, 20000) i;
create table pots (pot int primary key, lot int not null references lots, place text not null);
insert into pots select i, i, case when i % 20 = 0 then 'cold' else 'warm' end from generate_series(1, 20000) i;
create index pots_of_lot on pots (lot);
create table leaves (leaf int primary key, pot int not null, width int not null, text text default repeat('l', 60));
insert into leaves select i, 1 + (i * 7) % 20000, i % 40 from generate_series(1, 29999) i;
create index leaves_of_pot on leaves (pot);
analyze lots; analyze pots; analyze leaves;
""",
        query="select sum(f.width) from lots l join pots p on p.lot = l.lot join leaves f on f.pot = p.pot"
        " where l.family = 'orchid' and p.place = 'cold'",
        place=at("l", "p"),
        cure=("drop index leaves_of_pot",),
        measure="pages",
        never_first=STATISTICS_KINDS,
        others={**SEEDS_OTHERS, "wide leaves": "select count(*) from leaves where width > 38"},
    ),
    Fault(
        name="seats sold by the agency of most tours",
        code="luring_index",
        also_right=_LURED,
        source=_MORE_INDEXES,
        schema=TRAMS
        + """
create table agencies (agency int primary key, city text not null);
insert into agencies select i, 'city ' || i from generate_series(1, 400) i;
create table tours (tour int primary key, agency int not null references agencies);
insert into tours select i, case when i % 10 < 7 then 3 else 1 + i % 400 end from generate_series(1, 6000) i;
create index tours_of_agency on tours (agency);
create table seats (seat int primary key, tour int not null, cents int not null, text text default repeat('s', 60));
insert into seats select i, 1 + (i * 7) % 6000, i % 90 from generate_series(1, 29999) i;
create index seats_of_tour on seats (tour);
analyze agencies; analyze tours; analyze seats;
""",
        query="select sum(s.cents) from tours u join seats s on s.tour = u.tour"
        " where u.agency in (select g.agency from agencies g where g.city = 'city 3')",
        place=at("u", "g"),
        cure=("drop index seats_of_tour",),
        measure="pages",
        never_first=STATISTICS_KINDS,
        others={**TRAMS_OTHERS, "cheap seats": "select count(*) from seats where cents < 5"},
    ),
)

FAULTS: Final = (*MISSING, *LURING)
