"""A small database of mountain huts for tests of sweeps, with a join that the planner misestimates."""

from __future__ import annotations

SCHEMA = """
create table huts(id int primary key, name text, region int);
insert into huts select i, 'hut ' || i, i % 10 from generate_series(1, 2000) i;
create table bookings(id int primary key, hut_id int, nights int, land text, city text, booked_on date);
insert into bookings select i, i % 2000 + 1, i % 7, 'land ' || i % 20, 'city ' || i % 20, date '2026-01-01' + i % 300
  from generate_series(1, 40000) i;
create index bookings_hut on bookings(hut_id);
create table payments(booking_id int, amount int, method text);
insert into payments select i, i % 100, 'method ' || i % 3 from generate_series(1, 40000) i;
create index payments_booking on payments(booking_id);
create sequence tickets;
create table log(line text);
create function noted(text) returns text language plpgsql volatile as 'begin return $1; end';
analyze;
"""

# land settles the city: the planner expects a twentieth of the rows that come
MISESTIMATED = (
    "select count(*) from bookings b join payments p on p.booking_id = b.id"
    " where b.land = 'land 3' and b.city = 'city 3' and b.land || b.city = 'land 3city 3'"
)
NEVER_ENDING = "select count(*) from bookings a, bookings b, bookings c where a.nights < b.nights and c.id > 0"
