"""Plans whose estimates are right, however much they read: nothing of the statistics is to be mended."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import INDEX_KINDS, STATISTICS_KINDS, Trap, at

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

_PRACTICE: Final = "common practice, no source: "

_AGENT: Final = Trap(
    name="a middling agent's bookings, looked up one by one",
    source=_PRACTICE + "a nested loop over an index is right for the few hundred rows that were expected",
    schema=FERRY
    + f"""
    create table passengers (passenger_id int primary key, name text not null);
    create table bookings (booking_id int primary key, agent_id int not null references agents,
      passenger_id int not null references passengers);
    insert into passengers select i, 'passenger ' || i from generate_series(1, 60000) i;
    insert into bookings select i, 1 + i % 500, 1 + {spread(110, 60000)} from generate_series(1, 60000) i;
    create index on bookings (agent_id);
    analyze passengers, bookings;
    """,
    query="select p.name from agents a join bookings b using (agent_id) join passengers p using (passenger_id)"
    " where a.agent_id = 77",
    place=at("b"),
    looks_off=False,
    useless=("analyze bookings", "analyze passengers"),
    others=FERRY_LIST,
)

_REPORT: Final = Trap(
    name="a report over all weighings",
    source=_PRACTICE + "a yearly report reads all there is, and is slow by that alone",
    schema=BEES
    + f"""
    create table weighings (weighing_id int primary key, colony_id int not null references colonies, day int not null,
      grams int not null);
    insert into weighings select i, 1 + {spread(111, 16000)}, i % 365, {spread(112, 60000)}
      from generate_series(1, 100000) i;
    analyze weighings;
    """,
    query="select c.colony_id, a.altitude, avg(w.grams) from weighings w join colonies c using (colony_id)"
    " join apiaries a using (apiary_id) group by c.colony_id, a.altitude order by avg(w.grams)",
    place=at("w", "c", "a"),
    looks_off=False,
    never_first=STATISTICS_KINDS | INDEX_KINDS,
    useless=("create statistics weighings_all on colony_id, day from weighings", "analyze weighings"),
    others=BEES_LIST,
)

_COMMON: Final = Trap(
    name="the most common state",
    source="PostgreSQL documentation, 'Row Estimation Examples': a value in the list of common values is estimated"
    " by its"
    " share",
    schema=TRAMS
    + f"""
    create table orders (order_id int primary key, car_id int not null references cars, state text not null);
    insert into orders select i, 1 + {spread(113, 3000)}, (array['open', 'done', 'done', 'done', 'void'])[1 + i % 5]
      from generate_series(1, 60000) i;
    create index on orders (state);
    analyze orders;
    """,
    query="select d.name, count(*) from orders o join cars c using (car_id) join depots d using (depot_id)"
    " where o.state = 'done' group by d.name",
    place=at("o"),
    looks_off=False,
    useless=("alter table orders alter column state set statistics 1000", "analyze orders"),
    others=TRAMS_LIST,
)

_COVERED: Final = Trap(
    name="columns that go together, and a statistics object that says so",
    source="PostgreSQL documentation, 'Multivariate Statistics Examples': with the object the estimate is right",
    schema=SEEDS
    + f"""
    create table finds (find_id int primary key, species_id int not null references species, country text not null,
      province text not null);
    insert into finds select i, 1 + {spread(114, 2000)}, 'country ' || p / 5, 'province ' || p
      from (select i, {spread(115, 60)} as p from generate_series(1, 60000) i) f;
    create statistics finds_place (dependencies, mcv) on country, province from finds;
    analyze finds;
    """,
    query="select f.name, count(*) from finds n join species s using (species_id) join families f using (family_id)"
    " where n.country = 'country 4' and n.province = 'province 22' group by f.name",
    place=at("n"),
    looks_off=False,
    never_first=STATISTICS_KINDS | {"drop_index"},
    useless=("create statistics finds_again (ndistinct) on country, province from finds", "analyze finds"),
    others=SEEDS_LIST,
)

_FEW: Final = Trap(
    name="five rows instead of three",
    source="G. Moerkotte et al., PVLDB 2(1), 2009: small q-errors leave the best plan the best",
    schema=HOSTEL
    + f"""
    create table keys_lost (loss_id int primary key, room_id int not null references rooms, member_id int not null);
    insert into keys_lost select i, 1 + {spread(116, 1600)}, 1 + i % 20000 from generate_series(1, 5000) i;
    insert into keys_lost select 6000 + i, 17, i from generate_series(1, 2) i;
    create index on keys_lost (room_id);
    analyze keys_lost;
    """,
    query="select m.joined, h.beds from keys_lost k join rooms r using (room_id) join hostels h using (hostel_id)"
    " join members m using (member_id) where r.room_id = 17",
    place=at("k"),
    looks_off=False,
    useless=("alter table keys_lost alter column room_id set statistics 1000", "analyze keys_lost"),
    others=HOSTEL_LIST,
)

_KEYED: Final = Trap(
    name="two columns as a key, and the foreign key is there",
    source="D. Rowley, pgsql-hackers, 18 May 2017: with the foreign key a join of several columns is estimated by it",
    schema=CHOIR
    + f"""
    create table boxes (shelf_id int not null references shelves, box_no int not null, label text not null,
      primary key (shelf_id, box_no));
    create table booklets (booklet_id int primary key, shelf_id int not null, box_no int not null, pages int not null,
      foreign key (shelf_id, box_no) references boxes);
    insert into boxes select 1 + i % 90, i, 'box ' || i from generate_series(1, 9000) i;
    insert into booklets select i, 1 + b % 90, b, 4 + i % 60
      from (select i, 1 + {spread(117, 9000)} as b from generate_series(1, 60000) i) f;
    analyze boxes, booklets;
    """,
    query="select s.room, sum(k.pages) from booklets k join boxes b using (shelf_id, box_no)"
    " join shelves s using (shelf_id) group by s.room",
    place=at("k", "b"),
    looks_off=False,
    useless=("create statistics booklets_key on shelf_id, box_no from booklets", "analyze booklets"),
    others=CHOIR_LIST,
)

_ALL: Final = Trap(
    name="every stop of every ride, joined whole",
    source=_PRACTICE + "a hash join over whole tables is what a count of all wants",
    schema=TRAMS
    + f"""
    create table rides (ride_id int primary key, car_id int not null references cars, stop_id int not null
      references stops);
    insert into rides select i, 1 + {spread(118, 3000)}, 1 + {spread(119, 900)} from generate_series(1, 90000) i;
    analyze rides;
    """,
    query="select l.colour, count(*) from rides r join stops s using (stop_id) join lines l using (line_id)"
    " join cars c using (car_id) group by l.colour",
    place=at("r", "s", "l", "c"),
    looks_off=False,
    useless=("create statistics rides_both on car_id, stop_id from rides", "analyze rides"),
    others=TRAMS_LIST,
)

TRAPS: Final = (_AGENT, _REPORT, _COMMON, _COVERED, _FEW, _KEYED, _ALL)
