"""Three small databases of our own invention: a harbour, a seed bank and a tram depot.

All values come from arithmetic on a row's number, and most tables have no more rows than ANALYZE reads whole at the
default target (30,000), so that the statistics come without noise.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

HARBOUR: Final = """
create table ships (ship int primary key, name text not null, flag int not null, tonnage int not null);
insert into ships select i, 'ship ' || i, i % 40, 500 + (i * 37) % 9000 from generate_series(1, 4000) i;
create table calls (call int primary key, ship int not null references ships, berth int not null,
  arrived date not null, state text not null, note text not null default repeat('n', 40));
insert into calls select i, 1 + (i * 7919) % 4000, i % 30, date '2024-01-01' + i / 60,
  case when i % 20 = 0 then 'held' else 'cleared' end from generate_series(1, 30000) i;
create index calls_of_ship on calls (ship);
create table cargo (cargo int primary key, call int not null references calls, goods text not null,
  weight int not null);
insert into cargo select i, 1 + (i * 7) % 30000, 'goods ' || i % 25, i % 700 from generate_series(1, 60000) i;
create index cargo_of_call on cargo (call);
analyze ships; analyze calls; analyze cargo;
"""

HARBOUR_OTHERS: Final[Mapping[str, str]] = {
    "one ship's calls": "select c.call, c.arrived from ships s join calls c on c.ship = s.ship where s.ship = 77",
    "weight by berth": "select c.berth, sum(k.weight) from calls c join cargo k on k.call = c.call group by c.berth",
    "held this week": "select s.name from calls c join ships s on s.ship = c.ship"
    " where c.arrived between '2024-03-01' and '2024-03-07' and c.state = 'held'",
}

SEEDS: Final = """
create table species (species int primary key, family text not null, genus text not null);
insert into species select i, 'family ' || i % 90, 'genus ' || i % 700 from generate_series(1, 2000) i;
create table accessions (accession int primary key, species int not null references species, country int not null,
  collected date not null, grams int not null, note text not null default repeat('s', 40));
insert into accessions select i, 1 + (i * 13) % 2000, i % 60, date '2001-01-01' + i % 6000, i % 400
  from generate_series(1, 30000) i;
create index accessions_of_species on accessions (species);
create table trials (trial int primary key, accession int not null references accessions, kind text not null,
  day date not null, sprouted int not null);
insert into trials select i, 1 + (i * 7) % 30000, 'kind ' || i % 12, date '2020-01-01' + i % 1500, i % 101
  from generate_series(1, 60000) i;
create index trials_of_accession on trials (accession);
analyze species; analyze accessions; analyze trials;
"""

SEEDS_OTHERS: Final[Mapping[str, str]] = {
    "one species": "select a.accession from species s join accessions a on a.species = s.species where s.species = 90",
    "sprouted by kind": "select t.kind, avg(t.sprouted) from trials t join accessions a on a.accession = t.accession"
    " group by t.kind",
    "a day in spring": "select a.grams from trials t join accessions a on a.accession = t.accession"
    " where t.day = '2021-04-12'",
}

TRAMS: Final = """
create table trams (tram int primary key, depot text not null, built int not null);
insert into trams select i, 'depot ' || i % 6, 1960 + i % 60 from generate_series(1, 1500) i;
create table runs (run int primary key, tram int not null references trams, line int not null, day date not null,
  minutes int not null, note text not null default repeat('r', 40));
insert into runs select i, 1 + (i * 17) % 1500, i % 25, date '2025-01-01' + i / 100, 20 + i % 70
  from generate_series(1, 30000) i;
create index runs_of_tram on runs (tram);
create table tickets (ticket int primary key, run int not null references runs, zone int not null, cents int not null);
insert into tickets select i, 1 + (i * 7) % 30000, i % 9, 100 + i % 400 from generate_series(1, 60000) i;
create index tickets_of_run on tickets (run);
analyze trams; analyze runs; analyze tickets;
"""

TRAMS_OTHERS: Final[Mapping[str, str]] = {
    "one tram's runs": "select r.run, r.day from trams t join runs r on r.tram = t.tram where t.tram = 12",
    "takings by line": "select r.line, sum(k.cents) from runs r join tickets k on k.run = r.run group by r.line",
    "one day": "select t.depot, count(*) from runs r join trams t on t.tram = r.tram"
    " where r.day = '2025-02-03' group by t.depot",
}
