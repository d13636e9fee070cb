"""Statistics that this role may not use, and partitioned tables that nobody analyzed as a whole."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

from .tables import NO_DETOUR, NO_STATISTICS, PASSENGERS, PLANTS, PLAYERS, TAPES, others

_HIDDEN: Final = (
    Fault(
        name="row security hides the fees of the archive behind a numeric operator",
        code="statistics_not_usable",
        source="PostgreSQL documentation, 'Planner Statistics and Security'; statistic_proc_security_check in"
        " selfuncs.c; numeric_eq is not leakproof (pg_proc of a live server)",
        schema=f"""{TAPES}
do $$ begin create role fee_clerk; exception when duplicate_object then null; end $$;
create table fees (id int primary key, tape_id int, fee numeric(8, 2), sealed boolean);
insert into fees
select i, 1 + i * 7 % 20000, case when i % 5 < 3 then 2.50 else 3 + i % 1000 end, i % 100 = 0
from generate_series(1, 30000) i;
analyze fees;
alter table fees enable row level security;
create policy open_fees on fees using (not sealed);
grant select on fees, tapes to fee_clerk;
""",
        query="select count(*), max(t.remark) from fees f join tapes t on t.id = f.tape_id where f.fee = 2.50",
        place=at("f"),
        cure=("alter function pg_catalog.numeric_eq(numeric, numeric) leakproof",),
        others=others("fees", "tape_id", "tapes"),
        never_first=NO_STATISTICS,
        role="fee_clerk",
    ),
    Fault(
        name="a security-barrier view keeps LIKE away from the gardeners' notes",
        code="statistics_not_usable",
        source="PostgreSQL documentation, 'Planner Statistics and Security', on security-barrier views; 'Rules and"
        " Privileges'; textlike is not leakproof (pg_proc of a live server)",
        schema=f"""{PLANTS}
do $$ begin create role apprentice; exception when duplicate_object then null; end $$;
create table notes (id int primary key, plant_id int, note text, private boolean);
insert into notes
select i, 1 + i * 11 % 20000, case when i % 10 = 0 then 'pruned ' else 'watered ' end || i, i % 50 = 0
from generate_series(1, 20000) i;
analyze notes;
create view open_notes with (security_barrier) as select id, plant_id, note from notes where not private;
grant select on open_notes, notes, plants to apprentice;
""",
        query="select count(*), max(p.remark) from open_notes n join plants p on p.id = n.plant_id"
        " where n.note like 'watered%'",
        place=at("notes"),
        cure=("alter view open_notes set (security_barrier = false)",),
        others=others("notes", "plant_id", "plants"),
        never_first=NO_STATISTICS,
        role="apprentice",
    ),
    Fault(
        name="a role with rights on columns alone gets no statistics of an expression's index",
        code="statistics_not_usable",
        source="examine_variable in selfuncs.c: for an index expression 'we insist on the whole table being"
        " selectable' (from memory); PostgreSQL documentation, 'Planner Statistics and Security'",
        schema=f"""{PASSENGERS}
do $$ begin create role purser; exception when duplicate_object then null; end $$;
create table tickets (id int primary key, passenger_id int, price numeric, seats numeric, card_number text);
insert into tickets
select i, 1 + i * 3 % 20000, case when i % 5 < 3 then 24 else 50 + i % 900 end, 2, md5(i::text)
from generate_series(1, 30000) i;
create index tickets_seat_price on tickets ((price / seats));
analyze tickets;
grant select (id, passenger_id, price, seats) on tickets to purser;
grant select on passengers to purser;
""",
        query="select count(*), max(p.remark) from tickets k join passengers p on p.id = k.passenger_id"
        " where k.price / k.seats = 12",
        place=at("k"),
        cure=("grant select on tickets to purser",),
        others=others("tickets", "passenger_id", "passengers"),
        never_first=NO_STATISTICS,
        role="purser",
    ),
)

_PARENTS: Final = (
    Fault(
        name="readings are grouped by plant, their partitions alone being analyzed",
        code="partition_parent_not_analyzed",
        source="PostgreSQL documentation, ANALYZE, on partitioned tables, and 'Updating Planner Statistics'; L. Albe,"
        " 'Partitioned table statistics', 2025",
        schema=f"""{PLANTS}
create table readings (plant_id int, house int, celsius int) partition by list (house);
create table readings_a partition of readings for values in (0);
create table readings_b partition of readings for values in (1);
create table readings_c partition of readings for values in (2);
insert into readings select 1 + i * 7 % 20000, i % 3, i % 35 from generate_series(1, 60000) i;
analyze readings_a;
analyze readings_b;
analyze readings_c;
""",
        query="select count(*), max(p.remark) from"
        " (select plant_id, avg(celsius) as mean from readings group by plant_id) r"
        " join plants p on p.id = r.plant_id",
        place=at("readings", grouping=True),
        cure=("analyze readings",),
        others=others("readings", "plant_id", "plants"),
        never_first=NO_DETOUR,
    ),
    Fault(
        name="a join on a partitioned table's column takes 200 distinct routes for granted",
        code="partition_parent_not_analyzed",
        source="PostgreSQL documentation, 'Updating Planner Statistics', on partitioned tables; F. Pachot, 'PostgreSQL"
        " global statistics on partitioned table require a manual ANALYZE'; selfuncs.h, DEFAULT_NUM_DISTINCT",
        schema=f"""{PASSENGERS}
create table bookings (id int, passenger_id int, route int, sold date) partition by range (sold);
create table bookings_spring partition of bookings for values from ('2026-01-01') to ('2026-07-01');
create table bookings_autumn partition of bookings for values from ('2026-07-01') to ('2027-01-01');
insert into bookings select i, 1 + i * 3 % 20000, i % 20000, date '2026-01-01' + i % 360
from generate_series(1, 60000) i;
analyze bookings_spring;
analyze bookings_autumn;
create table discounts (route int primary key, percent int);
insert into discounts select i * 61, i % 50 from generate_series(1, 100) i;
analyze discounts;
""",
        query="select count(*), max(p.remark) from bookings b join discounts d on d.route = b.route"
        " join passengers p on p.id = b.passenger_id",
        place=at("b", "d"),
        cure=("analyze bookings",),
        others=others("bookings", "passenger_id", "passengers"),
        never_first=NO_DETOUR,
    ),
    Fault(
        name="distinct players of a league whose seasons were analyzed one by one",
        code="partition_parent_not_analyzed",
        source="PostgreSQL documentation, ANALYZE: autovacuum does not gather a partitioned table's statistics;"
        " estimate_num_groups in selfuncs.c",
        schema=f"""{PLAYERS}
create table boards (player_id int, season int, points int) partition by hash (season);
create table boards_even partition of boards for values with (modulus 2, remainder 0);
create table boards_odd partition of boards for values with (modulus 2, remainder 1);
insert into boards select 1 + i * 13 % 20000, i % 40, i % 3 from generate_series(1, 60000) i;
analyze boards_even;
analyze boards_odd;
""",
        query="select count(*), max(p.remark) from (select distinct player_id from boards) b"
        " join players p on p.id = b.player_id",
        place=at("boards", grouping=True),
        cure=("analyze boards",),
        others=others("boards", "player_id", "players"),
        never_first=NO_DETOUR,
    ),
)

FAULTS: Final = (*_HIDDEN, *_PARENTS)
