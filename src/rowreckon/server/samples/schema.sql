-- The sample database: a network of mountain huts.  Every name in it is invented.
-- schema.sql lays the tables, rows.sql fills them, finish.sql adds keys, indexes and statistics (some of them
-- missing, stale or misleading on purpose: see queries.sql).

-- name: tables of the network
create table valleys (
    id int not null,
    name text not null,
    land text not null
);
create table wardens (
    id int not null,
    name text not null,
    since date not null
);
create table huts (
    id int not null,
    name text not null,
    valley_id int not null,
    warden_id int not null,
    altitude_m int not null,
    category text not null
);
create table bunks (
    hut_id int not null,
    bunk_code text not null,
    room int not null,
    lower_bunk boolean not null
);
-- name: tables of guests and bookings
create table guests (
    id int not null,
    name text not null,
    email text not null,
    home_land text not null,
    home_region text not null,
    home_city text not null,
    born date not null,
    is_agency boolean not null
);
create table channels (
    code text not null,
    commission numeric not null,
    note text not null
);
create table bookings (
    id int not null,
    hut_id int not null,
    bunk_code text not null,
    guest_id int not null,
    booked_on date not null,
    arrival date not null,
    nights int not null,
    channel text not null,
    status text not null,
    partner_code text not null
);
create table payments (
    id int not null,
    booking_id int not null,
    paid_on date not null,
    amount numeric(9,2) not null,
    method text not null
);
create table complaints (
    id int not null,
    booking_id int not null,
    received_on date not null,
    about text not null,
    text text not null
);
create table lost_property (
    id int not null,
    guest_id int not null,
    hut_id int not null,
    found_on date not null,
    kind text not null,
    colour text not null
);
create table guest_notes (
    id int not null,
    guest_id int not null,
    office text not null,
    note text not null
);
-- name: tables of supplies and weather
create table supply_flights (
    id int not null,
    hut_id int not null,
    departed_at timestamp not null,
    landed_at timestamp not null,
    cargo jsonb not null
);
create table flight_items (
    id int not null,
    flight_id int not null,
    batch_no int not null,
    article text not null,
    weight_kg numeric(7,1) not null
);
create table trail_reports (
    id int not null,
    guest_id int not null,
    hut_id int not null,
    reported_on date not null,
    grade int not null,
    remark text not null
);
create table sensors (
    id int not null,
    hut_id int not null,
    model text not null,
    calibrated_on date not null
);
create table weather_log (
    sensor_id int not null,
    logged_at timestamp not null,
    temperature numeric(4,1) not null,
    wind_kmh int not null
) partition by range (logged_at);
create table weather_log_2025_q3 partition of weather_log for values from ('2025-07-01') to ('2025-10-01');
create table weather_log_2025_q4 partition of weather_log for values from ('2025-10-01') to ('2026-01-01');
create table weather_log_2026_q1 partition of weather_log for values from ('2026-01-01') to ('2026-04-01');
create table weather_log_2026_q2 partition of weather_log for values from ('2026-04-01') to ('2026-07-01');
create table weather_log_2026_q3 partition of weather_log for values from ('2026-07-01') to ('2026-10-01');
