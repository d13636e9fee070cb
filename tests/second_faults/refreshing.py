"""Faults that fresh statistics cure: never gathered, out of date, or missing on a partitioned table as a whole."""

from __future__ import annotations

from typing import Final

from .model import Fault, at
from .schemas import HARBOUR, HARBOUR_OTHERS, SEEDS, SEEDS_OTHERS, TRAMS, TRAMS_OTHERS

_POPULATING = "PostgreSQL documentation, 'Populating a Database', section 'Run ANALYZE Afterwards'"
_VACUUMING = "PostgreSQL documentation, 'Routine Vacuuming', section 'Updating Planner Statistics'"
_PARTITIONED = (
    "PostgreSQL documentation, ANALYZE, notes on partitioned tables; Laurenz Albe, 'Partitioned table statistics', 2025"
)

NEVER_ANALYZED: Final = (
    Fault(
        name="manifests loaded overnight",
        code="never_analyzed",
        source=_POPULATING,
        schema=HARBOUR
        + """
create table manifests (manifest int primary key, call int not null references calls, state text not null,
  boxes int not null);
insert into manifests select i, 1 + (i * 11) % 30000, case when i % 10 < 7 then 'landed' else 'afloat' end, i % 90
  from generate_series(1, 30000) i;
""",
        query="select c.berth, sum(m.boxes) from manifests m join calls c on c.call = m.call"
        " where m.state = 'landed' group by c.berth",
        place=at("m"),
        cure=("analyze manifests",),
        others={**HARBOUR_OTHERS, "a manifest": "select m.boxes from manifests m where m.manifest = 5"},
    ),
    Fault(
        name="scores made by CREATE TABLE AS",
        code="never_analyzed",
        source="PostgreSQL documentation, 'Routine Vacuuming', 'Updating Planner Statistics'; that a range without"
        " statistics gets the default selectivity: src/include/utils/selfuncs.h, DEFAULT_RANGE_INEQ_SEL",
        schema=SEEDS
        + """
create table scores as select trial as score_of, accession, (trial * 3) % 100 as score from trials where trial % 2 = 0;
""",
        query="select a.country, count(*) from scores s join accessions a on a.accession = s.accession"
        " where s.score between 5 and 95 group by a.country",
        place=at("s"),
        cure=("analyze scores",),
        others={**SEEDS_OTHERS, "all scores": "select count(*), avg(score) from scores"},
    ),
    Fault(
        name="materialized view of days",
        code="never_analyzed",
        source="PostgreSQL documentation, ANALYZE: materialized views are analyzed like tables; 'Populating a"
        " Database'",
        schema=TRAMS
        + """
create materialized view tram_days as
  select tram, day, case when tram % 5 = 0 then 'short' else 'full' end as service, sum(minutes) as minutes
  from runs group by tram, day;
""",
        query="select t.depot, sum(d.minutes) from tram_days d join trams t on t.tram = d.tram"
        " join runs r on r.tram = d.tram and r.day = d.day where d.service = 'full' group by t.depot",
        place=at("d"),
        cure=("analyze tram_days",),
        others={**TRAMS_OTHERS, "longest days": "select max(minutes) from tram_days"},
    ),
)

STALE: Final = (
    Fault(
        name="calls of a new season",
        code="stale_statistics",
        source=_VACUUMING + ": a timestamp column whose maximum rises as rows are added",
        schema=HARBOUR
        + """
insert into calls select i, 1 + (i * 7919) % 4000, i % 30, date '2025-06-01' + i % 90, 'cleared'
  from generate_series(30001, 50000) i;
""",
        query="select s.flag, count(*) from calls c join ships s on s.ship = c.ship"
        " where c.arrived >= '2025-06-01' group by s.flag",
        place=at("c"),
        cure=("analyze calls",),
        others=HARBOUR_OTHERS,
    ),
    Fault(
        name="repairs reopened at once",
        code="stale_statistics",
        source=_VACUUMING + ": data distribution that changes by updates",
        schema=TRAMS
        + """
create table repairs (repair int primary key, run int not null references runs, state text not null);
insert into repairs select i, i, case when i % 3000 = 0 then 'open' else 'done' end from generate_series(1, 30000) i;
analyze repairs;
update repairs set state = 'open' where repair % 5 < 3;
""",
        query="select r.line, count(*) from repairs p join runs r on r.run = p.run where p.state = 'open'"
        " group by r.line",
        place=at("p"),
        cure=("analyze repairs",),
        others={**TRAMS_OTHERS, "a repair": "select state from repairs where repair = 44"},
    ),
    Fault(
        name="drawers numbered anew",
        code="stale_statistics",
        source=_VACUUMING + "; that a value outside of a complete list of common values counts as absent:"
        " 'Row Estimation Examples'",
        schema=SEEDS
        + """
create table drawers (drawer int primary key, accession int not null references accessions, room text not null);
insert into drawers select i, i, 'old ' || i % 8 from generate_series(1, 30000) i;
analyze drawers;
delete from drawers;
insert into drawers select i, i - 30000, 'new ' || i % 2 from generate_series(30001, 60000) i;
""",
        query="select a.country, count(*) from drawers d join accessions a on a.accession = d.accession"
        " where d.room = 'new 1' group by a.country",
        place=at("d"),
        cure=("analyze drawers",),
        others={**SEEDS_OTHERS, "a drawer": "select room from drawers where drawer = 30100"},
    ),
)

PARTITION_PARENT: Final = (
    Fault(
        name="boardings by stop over all years",
        code="partition_parent_not_analyzed",
        source=_PARTITIONED + "; Franck Pachot on global statistics of partitioned tables (distinct values), dev.to",
        schema=TRAMS
        + """
create table stops (stop int primary key, zone int not null);
insert into stops select i, i % 9 from generate_series(1, 120000) i;
create table boardings (stop int not null, year int not null, boarded int not null) partition by list (year);
create table boardings_2024 partition of boardings for values in (2024);
create table boardings_2025 partition of boardings for values in (2025);
insert into boardings select 1 + i % 12000, 2024 + i % 2, i % 50 from generate_series(1, 48000) i;
analyze stops; analyze boardings_2024; analyze boardings_2025;
""",
        query="select s.zone, sum(g.boarded) from (select stop, sum(boarded) as boarded from boardings group by stop) g"
        " join stops s on s.stop = g.stop group by s.zone",
        place=at("boardings", grouping=True),
        cure=("analyze boardings",),
        others={
            **TRAMS_OTHERS,
            "a year": "select sum(boarded) from boardings where year = 2025",
            "a zone's stops": "select count(*) from stops where zone = 4",
        },
    ),
    Fault(
        name="boxes weighed and inspected",
        code="partition_parent_not_analyzed",
        source=_PARTITIONED + "; that a join without statistics assumes 200 distinct values:"
        " src/include/utils/selfuncs.h, DEFAULT_NUM_DISTINCT",
        schema=HARBOUR
        + """
create table weighings (box int not null, call int not null, half int not null) partition by list (half);
create table weighings_first partition of weighings for values in (1);
create table weighings_second partition of weighings for values in (2);
insert into weighings select 1 + i % 10000, 1 + i % 30000, 1 + i % 2 from generate_series(1, 20000) i;
create table inspections (box int not null, half int not null, passed bool not null) partition by list (half);
create table inspections_first partition of inspections for values in (1);
create table inspections_second partition of inspections for values in (2);
insert into inspections select 1 + (i * 3) % 10000, 1 + i % 2, i % 7 > 0 from generate_series(1, 20000) i;
analyze weighings_first; analyze weighings_second; analyze inspections_first; analyze inspections_second;
""",
        query="select c.berth, count(*) from weighings w join inspections n on n.box = w.box"
        " join calls c on c.call = w.call group by c.berth",
        place=at("w", "n"),
        cure=("analyze weighings", "analyze inspections"),
        others={**HARBOUR_OTHERS, "passed": "select count(*) from inspections where passed"},
    ),
    Fault(
        name="readings held against limits",
        code="partition_parent_not_analyzed",
        source=_PARTITIONED,
        schema=SEEDS
        + """
create table readings (reading int not null, chamber int not null, grade text not null) partition by range (chamber);
create table readings_low partition of readings for values from (0) to (5);
create table readings_high partition of readings for values from (5) to (10);
insert into readings select i, i % 10, 'grade ' || i % 3 from generate_series(1, 20000) i;
create table limits (grade text not null, what int not null);
insert into limits select 'grade ' || i % 3, i from generate_series(1, 30) i;
analyze readings_low; analyze readings_high; analyze limits;
""",
        query="select l.what, count(*) from readings r join limits l on l.grade = r.grade"
        " join trials t on t.accession = r.reading where r.chamber = 3 group by l.what",
        place=at("r", "l"),
        cure=("analyze readings",),
        others={**SEEDS_OTHERS, "a chamber": "select count(*) from readings where chamber = 4"},
    ),
)

FAULTS: Final = (*NEVER_ANALYZED, *STALE, *PARTITION_PARENT)
