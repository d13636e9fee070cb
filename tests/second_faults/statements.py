"""Faults of functions and of prepared statements, and statistics that a role may not use."""

from __future__ import annotations

from typing import Final

from .model import Fault, at
from .schemas import HARBOUR, HARBOUR_OTHERS, SEEDS, SEEDS_OTHERS, TRAMS, TRAMS_OTHERS

_ROWS = "PostgreSQL documentation, CREATE FUNCTION, ROWS: the default assumption is 1000 rows"
_PREPARE = "PostgreSQL documentation, PREPARE, notes, and plan_cache_mode"
_SECURITY = "PostgreSQL documentation, 'Planner Statistics and Security'"
_GENERIC = "set plan_cache_mode = force_generic_plan"
_CUSTOM = ("set plan_cache_mode = force_custom_plan",)

FUNCTIONS: Final = (
    Fault(
        name="log entries that a tide table names",
        code="function_row_default",
        source=_ROWS,
        schema=HARBOUR
        + """
create table logbook (entry int primary key, call int not null references calls, watch int not null);
insert into logbook select i, 1 + i % 30000, i % 6 from generate_series(1, 300000) i;
analyze logbook;
create function tide_entries(lowest int) returns setof int language plpgsql stable as
  $$ begin return query select i from generate_series(lowest, lowest + 79999) i; end $$;
""",
        query="select b.watch, count(*) from tide_entries(1) t join logbook b on b.entry = t group by b.watch",
        place=at("t"),
        cure=("alter function tide_entries(int) rows 80000",),
        others=HARBOUR_OTHERS,
    ),
    Fault(
        name="five accessions on loan",
        code="function_row_default",
        source=_ROWS
        + "; Daniel Westermann, 'Telling the PostgreSQL optimizer more about your functions', dbi services",
        schema=SEEDS
        + """
create function on_loan() returns table (accession int) language plpgsql stable as
  $$ begin return query select i * 100 from generate_series(1, 5) i; end $$;
""",
        query="select t.kind, count(*) from on_loan() l join trials t on t.accession = l.accession group by t.kind",
        place=at("l"),
        cure=("alter function on_loan() rows 5",),
        others=SEEDS_OTHERS,
    ),
    Fault(
        name="two trams in the workshop",
        code="function_row_default",
        source=_ROWS,
        schema=TRAMS
        + """
create function in_workshop(yard text) returns setof trams language plpgsql stable as
  $$ begin return query select * from trams where tram in (31, 77); end $$;
""",
        query="select r.line, sum(k.cents) from in_workshop('north') w join runs r on r.tram = w.tram"
        " join tickets k on k.run = r.run group by r.line",
        place=at("w"),
        cure=("alter function in_workshop(text) rows 2",),
        others=TRAMS_OTHERS,
    ),
)

GENERIC: Final = (
    Fault(
        name="routine notices, prepared",
        code="generic_plan",
        source=_PREPARE + "; Michal Drozd, 'Generic plan trap' (skewed values)",
        schema=HARBOUR
        + """
create table notices (notice int primary key, call int not null references calls, kind text not null);
insert into notices select i, i, case when i % 15 > 0 then 'routine' else 'special ' || i end
  from generate_series(1, 30000) i;
analyze notices;
""",
        prelude=(
            _GENERIC,
            "prepare notices_of(text) as select c.berth, count(*) from notices n join calls c on c.call = n.call"
            " where n.kind = $1 group by c.berth",
        ),
        query="execute notices_of('routine')",
        place=at("n"),
        cure=_CUSTOM,
        others={**HARBOUR_OTHERS, "a notice": "select kind from notices where notice = 5"},
    ),
    Fault(
        name="trials since yesterday, prepared",
        code="generic_plan",
        source=_PREPARE + "; an inequality with an unknown value gets a third: src/include/utils/selfuncs.h",
        schema=SEEDS,
        prelude=(
            _GENERIC,
            "prepare trials_since(date) as select a.country, count(*) from trials t join accessions a"
            " on a.accession = t.accession where t.day > $1 group by a.country",
        ),
        query="execute trials_since('2024-02-07')",
        place=at("t"),
        cure=_CUSTOM,
        others=SEEDS_OTHERS,
    ),
    Fault(
        name="runs of nearly all the year, prepared",
        code="generic_plan",
        source=_PREPARE + "; a range with unknown ends gets half a percent: src/include/utils/selfuncs.h",
        schema=TRAMS,
        prelude=(
            _GENERIC,
            "prepare runs_between(date, date) as select t.depot, sum(k.cents) from runs r join trams t"
            " on t.tram = r.tram join tickets k on k.run = r.run where r.day between $1 and $2 group by t.depot",
        ),
        query="execute runs_between('2025-01-02', '2025-12-01')",
        place=at("r"),
        cure=_CUSTOM,
        others=TRAMS_OTHERS,
    ),
)

_ROLE = "bench_clerk"
_MAKE_ROLE = f"""
do $$ begin
  if not exists (select from pg_roles where rolname = '{_ROLE}') then create role {_ROLE}; end if;
end $$;
"""

RIGHTS: Final = (
    Fault(
        name="high fees of one's own office",
        code="statistics_not_usable",
        source=_SECURITY + "; CREATE POLICY: numeric comparison is not leakproof (pg_proc.proleakproof)",
        schema=_MAKE_ROLE
        + HARBOUR
        + f"""
create table fees (fee int primary key, call int not null references calls, office int not null,
  amount numeric not null);
insert into fees select i, i, i % 2, i from generate_series(1, 30000) i;
analyze fees;
alter table fees enable row level security;
create policy own_office on fees using (office = 1);
grant select on all tables in schema public to {_ROLE};
""",
        query="select c.berth, sum(f.amount) from fees f join calls c on c.call = f.call"
        " join cargo k on k.call = c.call where f.amount > 29960 group by c.berth",
        place=at("f"),
        cure=("alter function numeric_gt(numeric, numeric) leakproof",),
        others=HARBOUR_OTHERS,
        role=_ROLE,
    ),
    Fault(
        name="names that hold a word, under a policy",
        code="statistics_not_usable",
        source=_SECURITY + "; LIKE is not leakproof, and without statistics it is estimated by the pattern's characters"
        " (src/backend/utils/adt/like_support.c)",
        schema=_MAKE_ROLE
        + SEEDS
        + f"""
create table donors (donor int primary key, accession int not null references accessions, garden int not null,
  name text not null);
insert into donors select i, i, 1, case when i % 10 < 8 then 'Garden ' else 'Person ' end || i
  from generate_series(1, 30000) i;
analyze donors;
alter table donors enable row level security;
create policy own_garden on donors using (garden = 1);
grant select on all tables in schema public to {_ROLE};
""",
        query="select a.country, count(*) from donors d join accessions a on a.accession = d.accession"
        " where d.name like '%arden%' group by a.country",
        place=at("d"),
        cure=("alter function textlike(text, text) leakproof", "alter function starts_with(text, text) leakproof"),
        others=SEEDS_OTHERS,
        role=_ROLE,
    ),
    Fault(
        name="complaints behind a security barrier",
        code="statistics_not_usable",
        source=_SECURITY + ": a security-barrier view over a table; 'Rules and Privileges'",
        schema=_MAKE_ROLE
        + TRAMS
        + f"""
create table complaints (complaint int primary key, run int not null references runs, secret bool not null,
  words text not null);
insert into complaints select i, i, i % 50 = 0, case when i % 10 < 8 then 'late ' else 'other ' end || i
  from generate_series(1, 30000) i;
analyze complaints;
create view open_complaints with (security_barrier) as
  select complaint, run, words from complaints where not secret;
grant select on open_complaints, runs, trams, tickets to {_ROLE};
""",
        query="select r.line, count(*) from open_complaints o join runs r on r.run = o.run"
        " where o.words like 'late%' group by r.line",
        place=at("complaints"),
        cure=("alter function textlike(text, text) leakproof", "alter function starts_with(text, text) leakproof"),
        others=TRAMS_OTHERS,
        role=_ROLE,
    ),
)

FAULTS: Final = (*FUNCTIONS, *GENERIC, *RIGHTS)
