-- The query list of the sample database: a statement for every cause of a misestimate that the audit knows, one for
-- every place where the counts of a plan can't be compared, and a few where nothing is wrong.

-- one process a query, so that times can be compared; the query about workers switches them on
set max_parallel_workers_per_gather = 0;

-- name: stale-statistics
-- the newest trail reports arrived after the last ANALYZE
select g.home_city, count(*), avg(t.grade)
from trail_reports t join guests g on g.id = t.guest_id
where t.reported_on >= '2026-06-15'
group by g.home_city order by count(*) desc limit 10;

-- name: never-analysed
-- lost_property has no statistics at all
select g.name, l.colour, l.found_on
from lost_property l join guests g on g.id = l.guest_id
where l.kind = 'glove';

-- name: partition-parent-not-analysed
-- the partitions of the weather log were analysed, the whole was not
select s.model, count(*), min(w.coldest)
from (select sensor_id, min(temperature) as coldest from weather_log group by sensor_id
      having min(temperature) < -19 and max(wind_kmh) > 60) w
     join sensors s on s.id = w.sensor_id
group by s.model;

-- name: low-target-on-skewed-column
-- only the most frequent partner is in the statistics, the second one is not
select p.method, count(*), sum(p.amount)
from bookings b join payments p on p.booking_id = b.id
where b.partner_code = 'P0002'
group by p.method;

-- name: correlated-columns
-- the city settles the region and the land
select b.arrival, count(*)
from guests g join bookings b on b.guest_id = g.id
where g.home_land = 'Aldria' and g.home_region = 'Region 05' and g.home_city = 'Silberbruck'
group by b.arrival;

-- name: correlated-range
-- what departs on a day also lands on it
select f.id, i.article, i.weight_kg
from supply_flights f join flight_items i on i.flight_id = f.id
where f.departed_at >= '2025-10-01 06:00' and f.landed_at < '2025-10-01 18:00';

-- name: distinct-count-of-several-columns
-- there are as many (land, region, city) as cities
select c.home_city, g.name, g.born
from (select home_land, home_region, home_city, max(id) as newest
      from guests where home_land = 'Corvia' group by home_land, home_region, home_city) c
     join guests g on g.id = c.newest;

-- name: wrong-distinct-count
-- somebody once declared that there are 40 batches
select b.batch_no, f.hut_id, f.landed_at
from (select batch_no, max(flight_id) as last_flight from flight_items group by batch_no) b
     join supply_flights f on f.id = b.last_flight;

-- name: expression-without-statistics
-- nothing is known about a field inside a document
select i.article, sum(i.weight_kg)
from supply_flights f join flight_items i on i.flight_id = f.id
where f.cargo ->> 'kind' = 'fuel'
group by i.article;

-- name: join-key-skew
-- this guest is an agency with every sixth booking
select p.method, sum(p.amount)
from guests g join bookings b on b.guest_id = g.id join payments p on p.booking_id = b.id
where g.email = 'guest1@mail1.example'
group by p.method;

-- name: multi-column-join-key
-- the bunk's code contains the hut, and no foreign key says that every booking has its bunk
select k.room, g.home_land, count(*)
from bookings b join bunks k on k.hut_id = b.hut_id and k.bunk_code = b.bunk_code join guests g on g.id = b.guest_id
where b.arrival >= '2026-05-01'
group by k.room, g.home_land;

-- name: cross-table-correlation
-- sensors of this model hang in every twelfth hut, these three among them, which no statistics tell
select s.id, s.calibrated_on
from huts h join sensors s on s.hut_id = h.id
where h.name in ('Enzianhütte 12', 'Enzianhütte 252', 'Gamshütte 24') and s.model = 'W11'
order by s.calibrated_on;

-- name: function-row-default
-- PostgreSQL takes 1000 rows from a function that does not say otherwise
select p.method, count(*)
from bookings_to_check('2026-05-15') t(id) join payments p on p.booking_id = t.id
group by p.method;

-- name: generic-plan
-- one plan for every status, made without knowing which
set plan_cache_mode = force_generic_plan;
prepare bookings_of_status(text) as
select b.id, p.amount from bookings b join payments p on p.booking_id = b.id where b.status = $1;
execute bookings_of_status('disputed');
deallocate bookings_of_status;
reset plan_cache_mode;

-- name: missing-join-index
-- the row counts are right, but nothing leads from a booking to its complaints
select b.id, c.about, c.received_on
from bookings b join complaints c on c.booking_id = b.id
where b.hut_id = 17 and b.arrival >= '2026-08-01';

-- name: luring-index
-- six channels, not one: an index on a column of six values is no way to all bookings
select c.code, count(*), min(b.arrival)
from channels c join bookings b on b.channel = c.code
where lower(c.note) like 'bookings that come%'
group by c.code;

-- name: limit
-- the scan stops after twenty rows: its estimate is not wrong
select b.arrival, g.name
from bookings b join guests g on g.id = b.guest_id
order by b.arrival limit 20;

-- name: semi-join
-- one booking is enough: the inner side stops at the first match
select g.id, g.name from guests g
where g.home_city = 'Grauried' and exists (select from bookings b where b.guest_id = g.id);

-- name: anti-join
-- guests of a city who never came
select g.id, g.name from guests g
where g.home_city = 'Moosach' and not exists (select from bookings b where b.guest_id = g.id);

-- name: merge-tail
-- a merge join stops when one side is at its end
set enable_hashjoin = off;
select count(*), sum(p.amount)
from bookings b join payments p on p.booking_id = b.id
where b.id <= 40000;

-- name: reread-for-duplicates
-- a merge join reads its inner side again for equal keys
select count(*)
from sensors s join lost_property l on l.hut_id = s.hut_id
where s.model in ('W3', 'W7');
reset enable_hashjoin;

-- name: never-executed
-- there is no such category, so bookings are not looked at
select b.id, b.arrival
from huts h join bookings b on b.hut_id = h.id
where h.category = 'palace';

-- name: bitmap-and-or
-- bitmaps are combined without counting rows
select count(*) from bookings b
where (b.hut_id = 17 and b.arrival between '2026-02-01' and '2026-02-20') or b.guest_id in (4000, 8000);

-- name: memoize
-- the same hut is asked for again and again, and answered from memory
select f.id, l.next_arrival
from supply_flights f
     cross join lateral (select min(b.arrival) as next_arrival from bookings b
                         where b.hut_id = f.hut_id and b.arrival >= '2026-09-01') l
where f.departed_at < '2024-11-15';

-- name: parallel-workers
-- rows of each worker are no totals
set max_parallel_workers_per_gather = 2;
select h.category, count(*), sum(b.nights)
from bookings b join huts h on h.id = b.hut_id
group by h.category;
set max_parallel_workers_per_gather = 0;

-- name: run-time-pruning
-- partitions that turn out to hold nothing of interest are not read
select count(*), max(w.wind_kmh)
from weather_log w
where w.logged_at >= (select max(landed_at) from supply_flights);

-- name: cte-read-partly
-- the common table expression stops when its reader has enough
with late as materialized (select b.id, b.arrival from bookings b where b.nights = 4)
select late.id, p.amount from late join payments p on p.booking_id = late.id limit 10;

-- name: hash-join-as-it-should-be
-- nothing is wrong here
select h.category, count(*)
from bookings b join huts h on h.id = b.hut_id
group by h.category;

-- name: nested-loop-as-it-should-be
-- nothing is wrong here either
select b.id, p.amount, p.paid_on
from bookings b join payments p on p.booking_id = b.id
where b.guest_id = 4711;

-- name: time-elsewhere
-- no join to blame: a subquery runs once for each row
select h.id, h.name, (select count(*) from lost_property l where l.hut_id = h.id) as lost
from huts h where h.altitude_m > 3200;
