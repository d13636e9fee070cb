"""Plans that look faulty, where the obvious remedy is wrong or nothing is to be done."""

from __future__ import annotations

from typing import Final

from .model import INDEX_KINDS, STATISTICS_KINDS, Trap, at
from .schemas import HARBOUR, HARBOUR_OTHERS, SEEDS, SEEDS_OTHERS, TRAMS, TRAMS_OTHERS

_CAVEATS = "PostgreSQL documentation, 'Using EXPLAIN', section 'Caveats'"
_ACROSS = "pgsql-hackers, 'Is there value in having optimizer stats for joins/foreignkeys?', 2025-12"

CUT_SHORT: Final = (
    Trap(
        name="a limit that stops early",
        source=_CAVEATS + ": a LIMIT shows the estimate of the whole",
        schema=HARBOUR,
        query="select c.call, k.goods from calls c join cargo k on k.call = c.call limit 20",
        place=at("c", "k"),
        others=HARBOUR_OTHERS,
    ),
    Trap(
        name="a merge join that one side ends",
        source=_CAVEATS + ": a merge join that stops before one side is read whole",
        schema=SEEDS
        + """
create table checked (accession int primary key);
insert into checked select i from generate_series(1, 900) i;
create table register (accession int primary key, text text default repeat('g', 200));
insert into register select i from generate_series(1, 30000) i;
analyze checked; analyze register;
""",
        prelude=("set enable_hashjoin = off", "set enable_nestloop = off"),
        query="select count(r.text) from checked c join register r on r.accession = c.accession",
        place=at("r"),
        others=SEEDS_OTHERS,
    ),
    Trap(
        name="a merge join that rereads duplicates",
        source=_CAVEATS + ": duplicates of the outer side make the inner side be counted again",
        schema=TRAMS
        + """
create table left_marks (mark int not null);
insert into left_marks select i % 100 from generate_series(1, 4000) i;
create table right_marks (mark int not null);
insert into right_marks select i % 100 from generate_series(1, 2000) i;
analyze left_marks; analyze right_marks;
""",
        prelude=("set enable_hashjoin = off", "set enable_nestloop = off"),
        query="select count(*) from left_marks l join right_marks r on r.mark = l.mark",
        place=at("l"),
        others=TRAMS_OTHERS,
    ),
    Trap(
        name="a semi-join that needs one match",
        source="PostgreSQL documentation, 'Subquery Expressions', EXISTS: run only until one row is there",
        schema=TRAMS,
        prelude=("set enable_hashjoin = off", "set enable_mergejoin = off", "set enable_material = off"),
        query="select count(*) from trams t where t.tram <= 20 and exists"
        " (select from runs r where r.tram = t.tram and r.minutes > 20)",
        place=at("r"),
        others=TRAMS_OTHERS,
    ),
    Trap(
        name="a branch that never runs",
        source="PostgreSQL documentation, 'Using EXPLAIN': nodes that are never executed",
        schema=HARBOUR,
        query="select count(*) from (select generate_series(1, 0) as call) e join calls c on c.call = e.call"
        " join cargo k on k.call = c.call",
        place=at("k"),
        looks_off=False,
        others=HARBOUR_OTHERS,
    ),
    Trap(
        name="bitmaps that count nothing",
        source=_CAVEATS + ": BitmapAnd and BitmapOr always show no rows",
        schema=HARBOUR
        + """
create table buoys (buoy int primary key, ship int not null, colour int not null, depth int not null,
  text text default repeat('b', 300));
insert into buoys select i, 1 + i % 4000, (i * 7) % 50, (i * 11) % 53 from generate_series(1, 30000) i;
create index buoys_colour on buoys (colour);
create index buoys_depth on buoys (depth);
analyze buoys;
""",
        prelude=("set enable_seqscan = off", "set enable_indexscan = off"),
        query="select count(*) from buoys b join ships s on s.ship = b.ship where b.colour = 7 and b.depth = 11",
        place=at("b"),
        looks_off=False,
        others=HARBOUR_OTHERS,
    ),
)

ROUNDED: Final = (
    Trap(
        name="an inner side clamped to one row",
        source="src/backend/optimizer/path/costsize.c, clamp_row_est: no estimate is below one row",
        schema=SEEDS
        + """
create table prizes (accession int primary key, year int not null);
insert into prizes select i * 3000, 2000 + i from generate_series(1, 10) i;
create table entries (entry int primary key, accession int not null);
insert into entries select i, 1 + i % 30000 from generate_series(1, 3000) i;
analyze prizes; analyze entries;
""",
        prelude=(
            "set enable_hashjoin = off",
            "set enable_mergejoin = off",
            "set enable_seqscan = off",
            "set enable_material = off",
            "set enable_memoize = off",
        ),
        query="select sum(p.year) from entries e left join prizes p on p.accession = e.accession",
        place=at("p"),
        looks_off=False,
        others=SEEDS_OTHERS,
    ),
    Trap(
        name="eighty partitions of one row each",
        source="src/backend/optimizer/path/costsize.c, clamp_row_est, for each partition by itself",
        schema=TRAMS
        + """
create table gates (gate int not null, run int not null, opened int not null) partition by hash (gate);
do $$ begin for n in 0..79 loop
  execute format('create table gates_%s partition of gates for values with (modulus 80, remainder %s)', n, n);
end loop; end $$;
insert into gates select i, 1 + i % 30000, i % 3000 from generate_series(1, 24000) i;
analyze gates;
""",
        query="select r.line from gates g join runs r on r.run = g.run where g.opened = 2999 and g.gate % 1000 = 999",
        place=at("g"),
        never_first=frozenset({"refresh_statistics", "drop_index"}),
        useless=("analyze gates",),
        others={**TRAMS_OTHERS, "a gate": "select opened from gates where gate = 5"},
    ),
    Trap(
        name="no row yet for today",
        source="common practice, no source: a day without rows is estimated at one row at least",
        schema=HARBOUR,
        query="select k.goods from calls c join cargo k on k.call = c.call where c.arrived = '2026-11-30'",
        place=at("c"),
        looks_off=False,
        others=HARBOUR_OTHERS,
    ),
)

RIGHT: Final = (
    Trap(
        name="a right estimate that is slow",
        source="common practice, no source: a report on all rows reads all rows",
        schema=TRAMS,
        query="select r.line, t.depot, count(*), sum(k.cents) from tickets k join runs r on r.run = k.run"
        " join trams t on t.tram = r.tram group by r.line, t.depot",
        place=at("k", "r"),
        looks_off=False,
        others=TRAMS_OTHERS,
    ),
    Trap(
        name="a fresh table, analyzed by hand",
        source="PostgreSQL documentation, 'Populating a Database', section 'Run ANALYZE Afterwards'",
        schema=SEEDS
        + """
create table arrivals (arrival int primary key, accession int not null references accessions, dock int not null);
insert into arrivals select i, i, i % 12 from generate_series(1, 30000) i;
analyze arrivals;
""",
        query="select a.country, count(*) from arrivals v join accessions a on a.accession = v.accession"
        " where v.dock = 5 group by a.country",
        place=at("v"),
        looks_off=False,
        others=SEEDS_OTHERS,
    ),
    Trap(
        name="each process reads all of the small side",
        source="PostgreSQL documentation, 'Parallel Joins': the inner side of a join is read whole by each process",
        schema=HARBOUR,
        prelude=(
            "set min_parallel_table_scan_size = 0",
            "set parallel_setup_cost = 0",
            "set parallel_tuple_cost = 0",
            "set enable_parallel_hash = off",
        ),
        query="select s.flag, count(*) from calls c join ships s on s.ship = c.ship group by s.flag",
        place=at("c", "s"),
        looks_off=False,
        others=HARBOUR_OTHERS,
    ),
)

NO_STATISTICS_HELP: Final = (
    Trap(
        name="a skewed key on its unique side",
        source=_ACROSS + ": the unique side has no common values, a longer list changes nothing",
        schema=SEEDS
        + """
create table gardens (garden int primary key, name text not null unique);
insert into gardens select i, 'garden ' || i from generate_series(1, 500) i;
create table gifts (gift int primary key, garden int not null references gardens,
  accession int not null references accessions);
insert into gifts select i, case when i % 10 < 6 then 9 else 1 + i % 500 end, i from generate_series(1, 30000) i;
create index gifts_of_garden on gifts (garden);
analyze gardens; analyze gifts;
""",
        query="select a.country, count(*) from gardens g join gifts f on f.garden = g.garden"
        " join accessions a on a.accession = f.accession where g.name = 'garden 9' group by a.country",
        place=at("g", "f"),
        never_first=STATISTICS_KINDS | INDEX_KINDS,
        useless=(
            "alter table gifts alter column garden set statistics 1000",
            "alter table gardens alter column garden set statistics 1000",
            "analyze gifts",
            "analyze gardens",
        ),
        others={
            **SEEDS_OTHERS,
            "a garden": "select f.gift from gardens g join gifts f on f.garden = g.garden where g.name = 'garden 77'",
        },
    ),
    Trap(
        name="columns of two tables that go together",
        source="PostgreSQL documentation, CREATE STATISTICS: on columns of one table only; " + _ACROSS,
        schema=TRAMS
        + """
create table faults_seen (seen int primary key, run int not null references runs, kind text not null);
insert into faults_seen select i, i, case when i % 25 = 3 then 'overhead line' else 'other' end
  from generate_series(1, 30000) i;
analyze faults_seen;
""",
        query="select k.zone, count(*) from faults_seen f join runs r on r.run = f.run"
        " join tickets k on k.run = r.run where f.kind = 'overhead line' and r.line = 3 group by k.zone",
        place=at("f", "r"),
        never_first=STATISTICS_KINDS | INDEX_KINDS,
        useless=(
            "create statistics own_runs on run, line from runs",
            "create statistics own_seen on run, kind from faults_seen",
            "analyze runs",
            "analyze faults_seen",
        ),
        others={**TRAMS_OTHERS, "a kind": "select count(*) from faults_seen where kind = 'other'"},
    ),
    Trap(
        name="an order by that hopes to find them early",
        source="PostgreSQL bug #18834; Christophe Pettus, 'When LIMIT Attacks', 2014; Laurenz Albe, 'Index decreases"
        " SELECT performance', 2018",
        schema=HARBOUR
        + """
create table sightings (sighting int primary key, call int not null references calls, whale bool not null,
  text text default repeat('w', 100));
insert into sightings select i, 1 + i % 30000, i > 58000 from generate_series(1, 60000) i;
analyze sightings;
""",
        query="select s.sighting, c.berth from sightings s join calls c on c.call = s.call where s.whale"
        " order by s.sighting limit 20",
        place=at("s"),
        never_first=frozenset({"drop_index", *STATISTICS_KINDS}),
        looks_off=False,
        useless=("analyze sightings",),
        others={**HARBOUR_OTHERS, "a sighting": "select whale from sightings where sighting = 7"},
    ),
    Trap(
        name="a recursive query",
        source="src/backend/optimizer/path/costsize.c, cost_recursive_union: ten times the start; PostgreSQL"
        " documentation, recursive_worktable_factor",
        schema=TRAMS
        + """
create table bosses (clerk int primary key, boss int not null);
insert into bosses select i, i / 2 from generate_series(1, 16000) i;
create index bosses_boss on bosses (boss);
analyze bosses;
""",
        query="with recursive below as (select clerk from bosses where clerk = 1 union all"
        " select b.clerk from below w join bosses b on b.boss = w.clerk)"
        " select r.line, count(*) from below x join runs r on r.run = x.clerk group by r.line",
        place=at("x"),
        never_first=STATISTICS_KINDS | {"drop_index"},
        useless=("analyze bosses",),
        others={**TRAMS_OTHERS, "a boss": "select count(*) from bosses where boss = 5"},
    ),
    Trap(
        name="a filter on a materialized subquery",
        source="PostgreSQL documentation, 'WITH Queries', section 'Common Table Expression Materialization'",
        schema=SEEDS,
        query="with t as materialized (select accession, min(day) as first, count(*) as times from trials"
        " group by accession) select a.country, count(*) from t join accessions a on a.accession = t.accession"
        " where t.times between 1 and 10 group by a.country",
        place=at("t"),
        never_first=STATISTICS_KINDS | {"drop_index"},
        useless=("analyze trials", "analyze accessions"),
        others=SEEDS_OTHERS,
    ),
    Trap(
        name="a bound that a subquery finds",
        source="src/include/utils/selfuncs.h, DEFAULT_INEQ_SEL: the value of a subquery is not known to the planner",
        schema=HARBOUR,
        query="select s.name from calls c join ships s on s.ship = c.ship"
        " where c.arrived > (select max(x.arrived) - 1 from calls x)",
        place=at("c"),
        never_first=STATISTICS_KINDS | {"drop_index"},
        useless=("analyze calls",),
        others=HARBOUR_OTHERS,
    ),
)

TRAPS: Final = (*CUT_SHORT, *ROUNDED, *RIGHT, *NO_STATISTICS_HELP)
