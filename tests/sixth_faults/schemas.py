"""The six houses in which the cases play: six small tables each, analyzed, with keys; a case adds its own to one.

A list beside each holds queries that others run there. Numbers come from hashes, so that each load is the same.
Foreign keys hold by construction; that they are not checked row by row saves most of a load's time.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final


def spread(seed: int, count: int, of: str = "i") -> str:
    """An SQL expression that spreads `of` over 0 to count - 1, as if drawn, and alike in every load."""
    return f"((hashint4({of} + {seed}) & 2147483647) % {count})"


_UNCHECKED: Final = "set session_replication_role = replica;"

FERRY: Final = f"""{_UNCHECKED}
create table ports (port_id int primary key, name text not null, country text not null, harbour_fee int not null);
create table vessels (vessel_id int primary key, name text not null, kind text not null, built int not null);
create table routes (route_id int primary key, from_port int not null references ports,
  to_port int not null references ports, miles int not null);
create table crew (crew_id int primary key, vessel_id int not null references vessels, duty text not null);
create table fares (fare_id int primary key, route_id int not null references routes, class text not null, price int);
create table agents (agent_id int primary key, port_id int not null references ports, name text not null);
insert into ports select i, 'port ' || i, 'country ' || i % 9, 100 + i from generate_series(1, 60) i;
insert into vessels select i, 'vessel ' || i, case when i = 33 then 'freight' else 'passenger' end, 1960 + i
  from generate_series(1, 40) i;
insert into routes select i, 1 + {spread(1, 60)}, 1 + {spread(2, 60)}, 10 + i % 90 from generate_series(1, 300) i;
insert into crew select i, 1 + i % 40, (array['deck', 'engine', 'galley', 'bridge'])[1 + i % 4]
  from generate_series(1, 2000) i;
insert into fares select i, 1 + i % 300, (array['deck', 'cabin', 'car', 'lorry'])[1 + i / 300], 20 + i % 70
  from generate_series(1, 1199) i;
insert into agents select i, 1 + i % 60, 'agent ' || i from generate_series(1, 500) i;
analyze ports, vessels, routes, crew, fares, agents;
"""
FERRY_LIST: Final[Mapping[str, str]] = {
    "crew of each vessel": "select v.name, count(*) from vessels v join crew c using (vessel_id) group by v.name",
    "fares from a port": "select f.class, avg(f.price) from routes r join fares f using (route_id)"
    " where r.from_port = 12 group by f.class",
}

SEEDS: Final = f"""{_UNCHECKED}
create table families (family_id int primary key, name text not null);
create table species (species_id int primary key, family_id int not null references families, latin text not null);
create table sites (site_id int primary key, region text not null, altitude int not null);
create table collectors (collector_id int primary key, name text not null, since int not null);
create table vaults (vault_id int primary key, celsius int not null);
create table accessions (accession_id int primary key, species_id int not null references species,
  site_id int not null references sites, vault_id int not null references vaults);
insert into families select i, 'family ' || i from generate_series(1, 40) i;
insert into species select i, 1 + i % 40, 'species ' || i from generate_series(1, 2000) i;
insert into sites select i, 'region ' || i % 12, {spread(3, 2400)} from generate_series(1, 800) i;
insert into collectors select i, 'collector ' || i, 1950 + i % 70 from generate_series(1, 400) i;
insert into vaults select i, -20 + i from generate_series(1, 16) i;
insert into accessions select i, 1 + {spread(4, 2000)}, 1 + {spread(5, 800)}, 1 + i % 16
  from generate_series(1, 20000) i;
create index on accessions (species_id);
analyze families, species, sites, collectors, vaults, accessions;
"""
SEEDS_LIST: Final[Mapping[str, str]] = {
    "species of a family": "select s.latin from species s join families f using (family_id) where f.name = 'family 7'",
    "what lies in a vault": "select s.latin, count(*) from accessions a join species s using (species_id)"
    " where a.vault_id = 3 group by s.latin",
}

HOSTEL: Final = f"""{_UNCHECKED}
create table towns (town_id int primary key, name text not null, region text not null);
create table hostels (hostel_id int primary key, town_id int not null references towns, beds int not null);
create table rooms (room_id int primary key, hostel_id int not null references hostels, bunks int not null);
create table wardens (warden_id int primary key, hostel_id int not null references hostels, name text not null);
create table members (member_id int primary key, town_id int not null references towns, joined int not null);
create table tariffs (tariff_id int primary key, hostel_id int not null references hostels, cents int not null);
insert into towns select i, 'town ' || i, (array['north', 'south', 'east', 'west'])[1 + i % 4]
  from generate_series(1, 120) i;
insert into hostels select i, 1 + i % 120, 20 + i % 60 from generate_series(1, 200) i;
insert into rooms select i, 1 + i % 200, 2 + i % 8 from generate_series(1, 1600) i;
insert into wardens select i, 1 + i % 200, 'warden ' || i from generate_series(1, 300) i;
insert into members select i, 1 + {spread(6, 120)}, 1990 + i / 600 from generate_series(1, 20000) i;
insert into tariffs select i, 1 + i % 200, 900 + i % 700 from generate_series(1, 800) i;
analyze towns, hostels, rooms, wardens, members, tariffs;
"""
HOSTEL_LIST: Final[Mapping[str, str]] = {
    "beds by region": "select t.region, sum(h.beds) from towns t join hostels h using (town_id) group by t.region",
    "members of a town": "select m.joined, count(*) from members m join towns t using (town_id)"
    " where t.name = 'town 5' group by m.joined",
}

TRAMS: Final = f"""{_UNCHECKED}
create table depots (depot_id int primary key, name text not null);
create table lines (line_id int primary key, depot_id int not null references depots, colour text not null);
create table cars (car_id int primary key, depot_id int not null references depots, maker text not null,
  built int not null);
create table drivers (driver_id int primary key, depot_id int not null references depots, licensed int not null);
create table stops (stop_id int primary key, line_id int not null references lines, name text not null);
create table workshops (workshop_id int primary key, depot_id int not null references depots, lifts int not null);
insert into depots select i, 'depot ' || i from generate_series(1, 12) i;
insert into lines select i, 1 + i % 12, 'colour ' || i % 8 from generate_series(1, 40) i;
insert into cars select i, 1 + i % 12, 'maker ' || i % 5, 1980 + i % 40 from generate_series(1, 3000) i;
insert into drivers select i, 1 + i % 12, 1990 + i % 30 from generate_series(1, 1500) i;
insert into stops select i, 1 + i % 40, 'stop ' || i from generate_series(1, 900) i;
insert into workshops select i, 1 + i % 12, 1 + i % 6 from generate_series(1, 30) i;
analyze depots, lines, cars, drivers, stops, workshops;
"""
TRAMS_LIST: Final[Mapping[str, str]] = {
    "stops of each line": "select l.colour, count(*) from lines l join stops s using (line_id) group by l.colour",
    "drivers of a depot": "select d.licensed, count(*) from drivers d join depots p using (depot_id)"
    " where p.name = 'depot 4' group by d.licensed",
}

CHOIR: Final = f"""{_UNCHECKED}
create table composers (composer_id int primary key, name text not null, born int not null);
create table works (work_id int primary key, composer_id int not null references composers, voices int not null);
create table shelves (shelf_id int primary key, room text not null);
create table singers (singer_id int primary key, voice text not null, joined int not null);
create table concerts (concert_id int primary key, held_on date not null, hall text not null);
create table programmes (concert_id int not null references concerts, work_id int not null references works,
  place int not null, primary key (concert_id, place));
insert into composers select i, 'composer ' || i, 1500 + i from generate_series(1, 400) i;
insert into works select i, 1 + {spread(7, 400)}, 2 + i % 7 from generate_series(1, 6000) i;
insert into shelves select i, 'room ' || i % 4 from generate_series(1, 90) i;
insert into singers select i, (array['soprano', 'alto', 'tenor', 'bass'])[1 + i % 4], 1980 + i % 45
  from generate_series(1, 8000) i;
insert into concerts select i, date '2005-01-01' + i * 9, 'hall ' || i % 11 from generate_series(1, 800) i;
insert into programmes select 1 + i % 800, 1 + {spread(8, 6000)}, i / 800 from generate_series(0, 7999) i;
analyze composers, works, shelves, singers, concerts, programmes;
"""
CHOIR_LIST: Final[Mapping[str, str]] = {
    "works by voices": "select w.voices, count(*) from works w join composers c using (composer_id)"
    " where c.born > 1800 group by w.voices",
    "sung in a hall": "select p.work_id, count(*) from concerts k join programmes p using (concert_id)"
    " where k.hall = 'hall 3' group by p.work_id",
}

BEES: Final = f"""{_UNCHECKED}
create table districts (district_id int primary key, name text not null);
create table keepers (keeper_id int primary key, district_id int not null references districts, since int not null);
create table apiaries (apiary_id int primary key, keeper_id int not null references keepers, altitude int not null);
create table breeds (breed_id int primary key, name text not null);
create table colonies (colony_id int primary key, apiary_id int not null references apiaries,
  breed_id int not null references breeds);
create table inspectors (inspector_id int primary key, district_id int not null references districts);
insert into districts select i, 'district ' || i from generate_series(1, 30) i;
insert into keepers select i, 1 + i % 30, 1970 + i % 50 from generate_series(1, 900) i;
insert into apiaries select i, 1 + {spread(9, 900)}, 200 + i % 1200 from generate_series(1, 2000) i;
insert into breeds select i, 'breed ' || i from generate_series(1, 9) i;
insert into colonies select i, 1 + {spread(10, 2000)}, 1 + i % 9 from generate_series(1, 16000) i;
insert into inspectors select i, 1 + i % 30 from generate_series(1, 60) i;
create index on colonies (apiary_id);
analyze districts, keepers, apiaries, breeds, colonies, inspectors;
"""
BEES_LIST: Final[Mapping[str, str]] = {
    "keepers by district": "select d.name, count(*) from districts d join keepers k using (district_id) group by"
    " d.name",
    "colonies of a breed": "select a.altitude, count(*) from colonies c join apiaries a using (apiary_id)"
    " where c.breed_id = 4 group by a.altitude",
}
