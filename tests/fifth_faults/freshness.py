"""Statistics that are not there, are of parts only, or are of another day."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

_UPDATING: Final = "PostgreSQL documentation, 'Updating Planner Statistics' (routine vacuuming)"
_POPULATE: Final = "PostgreSQL documentation, 'Populating a Database': run ANALYZE afterwards"
_PARTITIONED: Final = (
    "PostgreSQL documentation, ANALYZE: autovacuum does not analyze partitioned tables, so do it by hand"
)

LOADED_EXPOSURES: Final = Fault(
    name="an observatory's exposures were loaded overnight and never analyzed",
    code="never_analyzed",
    source=_POPULATE,
    schema="""
create table targets (id int primary key, catalogue text not null, magnitude int not null);
insert into targets select i, 'cat ' || i % 30, i % 20 from generate_series(1, 40000) i;
analyze targets;
create table exposures (id int primary key, target_id int not null, sky text not null, seconds int not null);
insert into exposures
  select i, 1 + (i * 11) % 40000, case when i % 20 = 0 then 'clear' else 'clouded' end, i % 600
  from generate_series(1, 60000) i;
""",
    query="select count(*), min(t.catalogue) from exposures e join targets t on t.id = e.target_id"
    " where e.sky = 'clouded'",
    place=at("e"),
    cure=("analyze exposures",),
    others={
        "one exposure": "select * from exposures where id = 5000",
        "targets by catalogue": "select catalogue, count(*) from targets group by catalogue",
    },
)

NEW_MATERIALIZED_VIEW: Final = Fault(
    name="a materialized view of the season's costume fittings was just created",
    code="never_analyzed",
    source="PostgreSQL documentation, REFRESH MATERIALIZED VIEW and ANALYZE; " + _POPULATE,
    schema="""
create table costumes (id int primary key, act int not null, material text not null);
insert into costumes select i, i % 5, 'material ' || i % 40 from generate_series(1, 25000) i;
create table fittings (id int primary key, costume_id int not null, outcome text not null);
insert into fittings
  select i, 1 + (i * 3) % 25000, case when i % 12 = 0 then 'alter' else 'fits' end from generate_series(1, 50000) i;
analyze costumes;
analyze fittings;
create materialized view season_fittings as select id, costume_id, outcome from fittings where id > 2000;
""",
    query="select c.act, count(*) from season_fittings s join costumes c on c.id = s.costume_id"
    " where s.outcome = 'fits' group by c.act",
    place=at("s"),
    cure=("analyze season_fittings",),
    others={
        "one costume": "select * from costumes where id = 300",
        "fittings that need work": "select count(*) from fittings where outcome = 'alter'",
    },
)

DOCKETS_BY_PARENT: Final = Fault(
    name="court hearings by year: every partition analyzed, the whole never",
    code="partition_parent_not_analyzed",
    source=_PARTITIONED,
    schema="""
create table hearings (held int not null, docket int not null, room int not null) partition by range (held);
create table hearings_1 partition of hearings for values from (0) to (100);
create table hearings_2 partition of hearings for values from (100) to (200);
create table hearings_3 partition of hearings for values from (200) to (300);
insert into hearings select i % 300, i % 20000, i % 40 from generate_series(1, 60000) i;
create index on hearings (docket);
analyze hearings_1;
analyze hearings_2;
analyze hearings_3;
create table motions (id int primary key, docket int not null, kind text not null);
insert into motions select i, (i * 37) % 120 * 150, 'kind ' || i % 6 from generate_series(1, 6000) i;
analyze motions;
""",
    query="select count(*), max(h.room) from motions m join hearings h on h.docket = m.docket",
    place=at("m", "h"),
    cure=("analyze hearings",),
    others={
        "a docket": "select * from hearings where docket = 150",
        "motions by kind": "select kind, count(*) from motions group by kind",
    },
)

LAMPS_BY_PARENT: Final = Fault(
    name="a lighthouse log counts its ships over partitions that were analyzed singly",
    code="partition_parent_not_analyzed",
    source=_PARTITIONED + "; autovacuum's part is told in 'Updating Planner Statistics'",
    schema="""
create table passages (quarter int not null, ship int not null, course int not null) partition by list (quarter);
create table passages_1 partition of passages for values in (1);
create table passages_2 partition of passages for values in (2);
create table passages_3 partition of passages for values in (3, 4);
insert into passages select 1 + i % 4, i % 25000, i % 360 from generate_series(1, 75000) i;
analyze passages_1;
analyze passages_2;
analyze passages_3;
create table ships (id int primary key, flag text not null);
insert into ships select i, 'flag ' || i % 50 from generate_series(0, 25000) i;
analyze ships;
""",
    query="select count(*), min(s.flag) from (select p.ship, count(*) as times from passages p group by p.ship) g"
    " join ships s on s.id = g.ship",
    place=at("p", grouping=True),
    cure=("analyze passages",),
    others={
        "a flag": "select count(*) from ships where flag = 'flag 7'",
        "northward": "select count(*) from passages where course < 10",
    },
)

NEWER_NIGHTS: Final = Fault(
    name="nights after the last analyze lie past the log's last known night",
    code="stale_statistics",
    source=_UPDATING,
    schema="""
create table keepers (id int primary key, station text not null);
insert into keepers select i, 'station ' || i % 25 from generate_series(1, 20000) i;
create table watches (id int primary key, keeper_id int not null, night date not null);
insert into watches
  select i, 1 + (i * 17) % 20000, date '2024-01-01' + i % 400 from generate_series(1, 40000) i;
create index on watches (night);
analyze keepers;
analyze watches;
insert into watches
  select i, 1 + (i * 17) % 20000, date '2025-06-01' + i % 60 from generate_series(40001, 60000) i;
""",
    query="select count(*), min(k.station) from watches w join keepers k on k.id = w.keeper_id"
    " where w.night >= '2025-06-01'",
    place=at("w"),
    cure=("analyze watches",),
    others={
        "a night": "select count(*) from watches where night = '2024-03-03'",
        "keepers by station": "select station, count(*) from keepers group by station",
    },
)

RESTORED_SINCE: Final = Fault(
    name="most costumes on the mending list were mended since the list was analyzed",
    code="stale_statistics",
    source=_UPDATING,
    schema="""
create table pieces (id int primary key, drawer text not null);
insert into pieces select i, 'drawer ' || i % 80 from generate_series(1, 30000) i;
create table mendings (id int primary key, piece_id int not null, state text not null);
insert into mendings
  select i, 1 + (i * 19) % 30000, case when i % 2000 = 0 then 'mended' else 'waiting' end
  from generate_series(1, 45000) i;
create index on mendings (state);
analyze pieces;
analyze mendings;
update mendings set state = 'mended' where id % 3 <> 0;
""",
    query="select count(*), max(p.drawer) from mendings m join pieces p on p.id = m.piece_id where m.state = 'mended'",
    place=at("m"),
    cure=("analyze mendings",),
    others={
        "a piece": "select * from pieces where id = 88",
        "a mending": "select * from mendings where id = 999",
    },
)

NEW_VINTAGE: Final = Fault(
    name="a vintage came into the cellar after the bottles were analyzed",
    code="stale_statistics",
    source=_UPDATING + "; 'How the Planner Uses Statistics' (values outside the list of common values)",
    schema="""
create table racks (id int primary key, vault text not null);
insert into racks select i, 'vault ' || i % 15 from generate_series(1, 25000) i;
create table bottles (id int primary key, rack_id int not null, vintage int not null);
insert into bottles select i, 1 + (i * 7) % 25000, 2015 + i % 8 from generate_series(1, 40000) i;
create index on bottles (vintage);
analyze racks;
analyze bottles;
insert into bottles select i, 1 + (i * 7) % 25000, 2023 from generate_series(40001, 55000) i;
""",
    query="select r.vault, count(*) from bottles b join racks r on r.id = b.rack_id where b.vintage = 2023"
    " group by r.vault",
    place=at("b"),
    cure=("analyze bottles",),
    others={
        "an old vintage": "select count(*) from bottles where vintage = 2016",
        "a rack": "select * from racks where id = 5",
    },
)

FAULTS: Final = (
    LOADED_EXPOSURES,
    NEW_MATERIALIZED_VIEW,
    DOCKETS_BY_PARENT,
    LAMPS_BY_PARENT,
    NEWER_NIGHTS,
    RESTORED_SINCE,
    NEW_VINTAGE,
)
