"""Faults within one table: columns that go together, lists that are too short, expressions, distinct values."""

from __future__ import annotations

from typing import Final

from .model import Fault, at
from .schemas import HARBOUR, HARBOUR_OTHERS, SEEDS, SEEDS_OTHERS, TRAMS, TRAMS_OTHERS

_DEPENDENCIES = "PostgreSQL documentation, 'Extended Statistics', section 'Functional Dependencies' (zip and city)"
_MCV = "PostgreSQL documentation, 'Multivariate Statistics Examples', section 'MCV Lists' (a <= 49 and b > 49)"
_TARGET = "PostgreSQL documentation, 'Single-Column Statistics': the target bounds the list of common values"

EQUALITY: Final = (
    Fault(
        name="district, valley and slope",
        code="correlated_columns_equality",
        source=_DEPENDENCIES,
        schema=SEEDS
        + """
create table sites (site int primary key, accession int not null references accessions, district text not null,
  valley text not null, slope text not null);
insert into sites select i, i, 'district ' || i % 40, 'valley ' || i % 40, 'slope ' || i % 40
  from generate_series(1, 30000) i;
analyze sites;
""",
        query="select t.kind, count(*) from sites p join accessions a on a.accession = p.accession"
        " join trials t on t.accession = a.accession"
        " where p.district = 'district 7' and p.valley = 'valley 7' and p.slope = 'slope 7' group by t.kind",
        place=at("p"),
        cure=("create statistics own_sites (dependencies, mcv) on district, valley, slope from sites", "analyze sites"),
        others={**SEEDS_OTHERS, "a district": "select count(*) from sites where district = 'district 9'"},
    ),
    Fault(
        name="maker and model of spare parts",
        code="correlated_columns_equality",
        source="I. Ilyas, V. Markl, P. Haas, P. Brown, A. Aboulnaga, 'CORDS', SIGMOD 2004 (make and model of cars;"
        " from memory); " + _DEPENDENCIES,
        schema=TRAMS
        + """
create table parts (part int primary key, run int not null references runs, maker text not null, model text not null);
insert into parts select i, i, 'maker ' || i % 30, 'model ' || i % 30 from generate_series(1, 30000) i;
analyze parts;
""",
        query="select r.line, count(*) from parts p join runs r on r.run = p.run join tickets k on k.run = r.run"
        " where p.maker = 'maker 4' and p.model = 'model 4' group by r.line",
        place=at("p"),
        cure=("create statistics own_parts (dependencies) on maker, model from parts", "analyze parts"),
        others={**TRAMS_OTHERS, "a model": "select count(*) from parts where model = 'model 8'"},
    ),
    Fault(
        name="registry and its two flags",
        code="correlated_columns_equality",
        source="PostgreSQL documentation, 'Limitations of Functional Dependencies': equality and IN with constants",
        schema=HARBOUR
        + """
create table papers (paper int primary key, call int not null references calls, registry text not null,
  flag text not null);
insert into papers select i, i, 'registry ' || (i % 60) / 2, 'flag ' || i % 60 from generate_series(1, 30000) i;
analyze papers;
""",
        query="select c.berth, count(*) from papers p join calls c on c.call = p.call join cargo k on k.call = c.call"
        " where p.registry = 'registry 3' and p.flag in ('flag 6', 'flag 7') group by c.berth",
        place=at("p"),
        cure=("create statistics own_papers (dependencies, mcv) on registry, flag from papers", "analyze papers"),
        others={**HARBOUR_OTHERS, "a flag": "select count(*) from papers where flag = 'flag 9'"},
    ),
)

RANGES: Final = (
    Fault(
        name="low and high water marks",
        code="correlated_columns_range",
        source=_MCV,
        schema=HARBOUR
        + """
create table marks (mark int primary key, call int not null references calls, low int not null, high int not null);
insert into marks select i, i, i % 100, i % 100 from generate_series(1, 30000) i;
analyze marks;
""",
        query="select c.berth, count(*) from marks m join calls c on c.call = m.call"
        " where m.low <= 49 and m.high > 49 group by c.berth",
        place=at("m"),
        cure=("create statistics own_marks (mcv) on low, high from marks", "analyze marks"),
        others={**HARBOUR_OTHERS, "low marks": "select count(*) from marks where low < 10"},
    ),
    Fault(
        name="long and heavy pods",
        code="correlated_columns_range",
        source=_MCV,
        schema=SEEDS
        + """
create table pods (pod int primary key, accession int not null references accessions, length int not null,
  weight int not null);
insert into pods select i, i, (i * 7) % 80, 1000 + (i * 7) % 80 from generate_series(1, 30000) i;
analyze pods;
""",
        query="select a.country, count(*) from pods p join accessions a on a.accession = p.accession"
        " join trials t on t.accession = a.accession where p.length >= 77 and p.weight >= 1077 group by a.country",
        place=at("p"),
        cure=("create statistics own_pods (mcv) on length, weight from pods", "analyze pods"),
        others={**SEEDS_OTHERS, "short pods": "select count(*) from pods where length < 20"},
    ),
    Fault(
        name="spares sent and received",
        code="correlated_columns_range",
        source="TPC Benchmark H, lineitem: the receipt date follows the ship date; " + _MCV,
        schema=TRAMS
        + """
create table spares (spare int primary key, run int not null references runs, sent date not null,
  received date not null);
insert into spares select i, 1 + (i * 7919) % 30000, date '2025-01-01' + i % 60, date '2025-01-02' + i % 60
  from generate_series(1, 12000) i;
analyze spares;
""",
        query="select r.line, count(*) from spares s join runs r on r.run = s.run"
        " where s.sent < '2025-01-31' and s.received >= '2025-01-31' group by r.line",
        place=at("s"),
        cure=("create statistics own_spares (mcv) on sent, received from spares", "analyze spares"),
        others={**TRAMS_OTHERS, "early spares": "select count(*) from spares where sent < '2025-01-05'"},
    ),
)

TARGETS: Final = (
    Fault(
        name="collector number 125 of many",
        code="column_target_too_low",
        source=_TARGET,
        schema=SEEDS
        + """
create table labels (label int primary key, accession int not null references accessions, collector text not null);
insert into labels select row_number() over (), 1 + (row_number() over ()) % 30000, collector from (
  select 'team ' || j as collector from generate_series(1, 130) j, generate_series(1, 1200 - 6 * j)
  union all select 'person ' || i from generate_series(1, 20100) i) made;
analyze labels;
""",
        query="select a.country, count(*) from labels b join accessions a on a.accession = b.accession"
        " join trials t on t.accession = a.accession where b.collector = 'team 125' group by a.country",
        place=at("b"),
        cure=("alter table labels alter column collector set statistics 1000", "analyze labels"),
        others={**SEEDS_OTHERS, "a person": "select label from labels where collector = 'person 500'"},
    ),
    Fault(
        name="second most common fault code",
        code="column_target_too_low",
        source="PostgreSQL documentation, ALTER TABLE, SET STATISTICS; " + _TARGET,
        schema=TRAMS
        + """
create table defects (defect int primary key, run int not null references runs, what text not null);
alter table defects alter column what set statistics 1;
insert into defects select i, i, case when i % 20 < 6 then 'door' when i % 20 < 11 then 'brake' else 'code ' || i end
  from generate_series(1, 30000) i;
analyze defects;
""",
        query="select r.line, count(*) from defects d join runs r on r.run = d.run join tickets k on k.run = r.run"
        " where d.what = 'brake' group by r.line",
        place=at("d"),
        cure=("alter table defects alter column what set statistics 100", "analyze defects"),
        others={**TRAMS_OTHERS, "a code": "select defect from defects where what = 'code 39'"},
    ),
    Fault(
        name="agents in a database with short lists",
        code="column_target_too_low",
        source="PostgreSQL documentation, default_statistics_target; " + _TARGET,
        schema=HARBOUR
        + """
do $$ begin execute format('alter database %I set default_statistics_target = 5', current_database()); end $$;
set default_statistics_target = 5;
create table bookings (booking int primary key, call int not null references calls, agent text not null);
insert into bookings select row_number() over (), 1 + (row_number() over ()) % 30000, agent from (
  select 'agency ' || j as agent from generate_series(1, 12) j, generate_series(1, 2500 - 100 * j)
  union all select 'agent ' || i from generate_series(1, 10000) i) made;
analyze bookings;
""",
        query="select c.berth, count(*) from bookings b join calls c on c.call = b.call"
        " join cargo k on k.call = c.call where b.agent = 'agency 11' group by c.berth",
        place=at("b"),
        cure=("alter table bookings alter column agent set statistics 200", "analyze bookings"),
        others={**HARBOUR_OTHERS, "an agent": "select booking from bookings where agent = 'agent 500'"},
    ),
)

EXPRESSIONS: Final = (
    Fault(
        name="trials by month",
        code="expression_without_statistics",
        source="PostgreSQL documentation, CREATE STATISTICS, examples (date_trunc on table t3)",
        schema=SEEDS
        + """
create table sowings (sowing int primary key, accession int not null references accessions, sown timestamp not null);
insert into sowings select i, i, timestamp '2026-01-01' + i * interval '6 minutes' from generate_series(1, 15000) i;
analyze sowings;
""",
        query="select a.country, count(*) from sowings s join accessions a on a.accession = s.accession"
        " where date_trunc('month', s.sown) = timestamp '2026-01-01' group by a.country",
        place=at("s"),
        cure=("create statistics own_sowings on date_trunc('month', sown) from sowings", "analyze sowings"),
        others={**SEEDS_OTHERS, "an hour": "select count(*) from sowings where sown < '2026-01-01 01:00'"},
    ),
    Fault(
        name="kind of a message within JSON",
        code="expression_without_statistics",
        source="PostgreSQL documentation, CREATE STATISTICS: statistics on an expression without an index on it",
        schema=TRAMS
        + """
create table messages (message int primary key, run int not null references runs, body jsonb not null);
insert into messages select i, i, jsonb_build_object('kind', case when i % 5 < 3 then 'delay' else 'note' end, 'n', i)
  from generate_series(1, 12000) i;
analyze messages;
""",
        query="select r.line, count(*) from messages m join runs r on r.run = m.run"
        " where m.body ->> 'kind' = 'delay' group by r.line",
        place=at("m"),
        cure=("create statistics own_messages on (body ->> 'kind') from messages", "analyze messages"),
        others={**TRAMS_OTHERS, "a message": "select body from messages where message = 40"},
    ),
    Fault(
        name="difference of two draughts",
        code="expression_without_statistics",
        source="PostgreSQL documentation, CREATE STATISTICS on expressions; that an inequality without statistics gets"
        " a third: src/include/utils/selfuncs.h, DEFAULT_INEQ_SEL",
        schema=HARBOUR
        + """
create table draughts (draught int primary key, call int not null references calls, fore int not null,
  aft int not null);
insert into draughts select i, i, i % 300, i % 300 + case when i % 1000 = 0 then 95 else i % 9 end
  from generate_series(1, 30000) i;
analyze draughts;
""",
        query="select c.berth, sum(k.weight) from draughts d join calls c on c.call = d.call"
        " join cargo k on k.call = c.call where abs(d.aft - d.fore) > 90 group by c.berth",
        place=at("d"),
        cure=("create statistics own_draughts on abs(aft - fore) from draughts", "analyze draughts"),
        others={**HARBOUR_OTHERS, "deep": "select count(*) from draughts where fore > 290"},
    ),
)

FAULTS: Final = (*EQUALITY, *RANGES, *TARGETS, *EXPRESSIONS)
