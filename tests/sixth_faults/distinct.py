"""Numbers of distinct values: of combinations, and of one column."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

from .schemas import FERRY, FERRY_LIST, HOSTEL, HOSTEL_LIST, SEEDS, SEEDS_LIST, TRAMS, TRAMS_LIST, spread

_LEGS: Final = Fault(
    name="bookings grouped by both ports",
    code="ndistinct_multi_column",
    source="H.-J. Schoenig, 'GROUP BY: Fixing optimizer estimates', 2025: the more columns, the more the groups are"
    " overestimated",
    schema=FERRY
    + f"""
    create table legs (leg_id int primary key, vessel_id int not null references vessels, from_port int not null,
      to_port int not null, class text not null);
    insert into legs select i, 1 + {spread(56, 40)}, 1 + p, 1 + (p * 7 + 3) % 60, (array['deck', 'cabin'])[1 + p % 2]
      from (select i, {spread(57, 60)} as p from generate_series(1, 100000) i) f;
    analyze legs;
    """,
    query="select l.from_port, l.to_port, l.class, count(*) from legs l join vessels v using (vessel_id)"
    " join ports p on p.port_id = l.from_port where v.built > 1961 group by l.from_port, l.to_port, l.class",
    place=at("l", "v", "p", grouping=True),
    cure=("create statistics legs_ports (ndistinct) on from_port, to_port, class from legs", "analyze legs"),
    others={**FERRY_LIST, "legs of a vessel": "select count(*) from legs where vessel_id = 17"},
)

_RUNS: Final = Fault(
    name="runs grouped by line, car and timetable",
    code="ndistinct_multi_column",
    source="PostgreSQL documentation, 'Multivariate N-Distinct Counts': columns that follow from each other, grouped"
    " together",
    schema=TRAMS
    + f"""
    create table runs (run_id int primary key, line_id int not null references lines, car_id int not null references
      cars,
      timetable int not null, day int not null);
    insert into runs select i, 1 + p % 40, 1 + p, p / 4, {spread(58, 365)}
      from (select i, {spread(59, 400)} as p from generate_series(1, 150000) i) f;
    analyze runs;
    """,
    query="select r.line_id, r.car_id, r.timetable, count(*) from runs r join drivers v on v.driver_id = r.car_id"
    " join depots d using (depot_id) group by r.line_id, r.car_id, r.timetable",
    place=at("r", "v", "d", grouping=True),
    cure=("create statistics runs_together (ndistinct) on line_id, car_id, timetable from runs", "analyze runs"),
    others={**TRAMS_LIST, "runs of a day": "select count(*) from runs where day = 17"},
)

_OVERRIDDEN: Final = Fault(
    name="a number of values set by hand when the bank was small",
    code="ndistinct_wrong",
    source="matrix-org/synapse, pull request 10359: n_distinct set by hand; PostgreSQL documentation, 'ALTER TABLE':"
    " the setting overrides what ANALYZE estimates, for good",
    schema=SEEDS
    + f"""
    create table moistures (moisture_id int primary key, accession_id int not null references accessions,
      collector_id int not null references collectors, percent int not null);
    insert into moistures select i, 1 + {spread(60, 20000)}, 1 + i % 400, i % 30 from generate_series(1, 100000) i;
    alter table moistures alter column accession_id set (n_distinct = 50);
    analyze moistures;
    """,
    query="select m.accession_id, max(m.percent) from moistures m join collectors c using (collector_id)"
    " join accessions a using (accession_id) where c.since > 1951 group by m.accession_id",
    place=at("m", "c", "a", grouping=True),
    cure=("alter table moistures alter column accession_id reset (n_distinct)", "analyze moistures"),
    others={**SEEDS_LIST, "moist ones": "select count(*) from moistures where percent = 29"},
)

_TURNSTILES: Final = Fault(
    name="passes at a turnstile, a few of them all day",
    code="ndistinct_wrong",
    source="argotorg/sourcify, issue 2917: n_distinct too low by 50 to 650 times on skewed columns; Stefan on"
    " pgsql-performance, 29 December 2012",
    schema=HOSTEL
    + f"""
    create table turnstiles (turn_id int not null, pass_no int not null, hostel_id int not null);
    insert into turnstiles select i, case when i % 40 < 38 then 1 + i % 7 else 100 + i end, 1 + {spread(61, 200)}
      from generate_series(1, 400000) i;
    analyze turnstiles;
    """,
    query="select u.pass_no, count(*) from turnstiles u join hostels h using (hostel_id) join towns t using (town_id)"
    " where h.beds > 20 group by u.pass_no",
    place=at("u", "h", "t", grouping=True),
    cure=("alter table turnstiles alter column pass_no set (n_distinct = 20007)", "analyze turnstiles"),
    others={**HOSTEL_LIST, "turns at a hostel": "select count(*) from turnstiles where hostel_id = 17"},
)

FAULTS: Final = (_LEGS, _RUNS, _OVERRIDDEN, _TURNSTILES)
