-- Keys, indexes, statistics.  What is missing, stale or misleading here is so on purpose.

-- name: primary keys
alter table valleys add primary key (id);
alter table wardens add primary key (id);
alter table huts add primary key (id);
alter table bunks add primary key (hut_id, bunk_code);
alter table guests add primary key (id);
alter table channels add primary key (code);
alter table bookings add primary key (id);
alter table payments add primary key (id);
alter table supply_flights add primary key (id);
alter table sensors add primary key (id);

-- name: foreign keys
alter table huts add foreign key (valley_id) references valleys;
alter table bookings add foreign key (hut_id) references huts;
alter table bookings add foreign key (guest_id) references guests;
alter table payments add foreign key (booking_id) references bookings;
alter table flight_items add foreign key (flight_id) references supply_flights;

-- name: indexes
create index bookings_hut on bookings (hut_id);
create index bookings_guest on bookings (guest_id);
create index bookings_channel on bookings (channel);
create index bookings_arrival on bookings (arrival);
create index payments_booking on payments (booking_id);
create index flight_items_flight on flight_items (flight_id);
create index trail_reports_guest on trail_reports (guest_id);

-- name: a function that returns more rows than PostgreSQL assumes
create function bookings_to_check(from_day date) returns setof int language plpgsql stable as
$$
begin
    return query select b.id from bookings b where b.arrival >= from_day and b.nights > 1;
end
$$;

-- name: rights of the desk
do $$
begin
    if not exists (select from pg_roles where rolname = 'hut_desk') then
        create role hut_desk nologin;
    end if;
end
$$;
grant select on all tables in schema public to hut_desk;
alter table guest_notes enable row level security;
create policy desk_only on guest_notes to hut_desk using (office = 'desk');

-- name: settings of statistics
alter table bookings alter column partner_code set statistics 1;
alter table flight_items alter column batch_no set (n_distinct = 40);

-- name: statistics of tables
vacuum analyze valleys, wardens, huts, bunks, guests, channels, bookings, payments, complaints, guest_notes, supply_flights, flight_items, trail_reports, sensors;
-- name: statistics of the weather log's partitions, but not of the whole
vacuum analyze weather_log_2025_q3, weather_log_2025_q4, weather_log_2026_q1, weather_log_2026_q2, weather_log_2026_q3;

-- name: the trail reports of summer arrive
insert into trail_reports
select i, 1 + (dice(i, 62) * 80000)::int % 80000, 1 + i % 600, date '2026-06-10' + (dice(i, 63) * 80)::int, 1 + i % 5, 'Trail report no. ' || i
from generate_series(6001, 54000) i;

-- name: tidy up
drop function dice(bigint, int);
