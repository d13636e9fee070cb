"""Statistics that exist and that the planner may not use: operators that are not leakproof, behind a barrier."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

_RULES: Final = (
    "PostgreSQL documentation, 'Rules and Privileges' and 'Row Security Policies' (leakproof functions only);"
    " statistic_proc_security_check in src/backend/utils/adt/selfuncs.c"
)

FEES_UNDER_A_POLICY: Final = Fault(
    name="a clerk of one practice asks for the usual fee under a row policy",
    code="statistics_not_usable",
    source=_RULES,
    schema="""
do $$ begin create role fifth_clerk; exception when duplicate_object then null; end $$;
create table animals (id int primary key, species text not null, keeper text not null);
insert into animals select i, 'species ' || i % 9, 'keeper ' || i from generate_series(1, 30000) i;
create table treatments (id int primary key, animal_id int not null, practice text not null, fee numeric not null);
insert into treatments
  select i, 1 + (i * 7) % 30000, case when i % 40 = 0 then 'hill' else 'harbour' end,
         case when i % 10 < 7 then 45.00 else 46 + i % 3000 end
  from generate_series(1, 60000) i;
alter table treatments enable row level security;
create policy own_practice on treatments using (practice = 'harbour');
grant select on animals, treatments to fifth_clerk;
analyze animals;
analyze treatments;
""",
    query="select count(*), min(a.keeper) from treatments t join animals a on a.id = t.animal_id where t.fee = 45.00",
    place=at("t"),
    cure=("alter role fifth_clerk bypassrls",),
    others={
        "one animal": "select * from animals where id = 77",
        "by species": "select species, count(*) from animals group by species",
        "treatments of the practice": "select count(*) from treatments where practice = 'harbour'",
    },
    role="fifth_clerk",
)

BARRIER_VIEW: Final = Fault(
    name="a reader of the cellar's view with a barrier filters by sugar",
    code="statistics_not_usable",
    source=_RULES + "; examine_simple_variable there: a view with security_barrier is a black box",
    schema="""
do $$ begin create role fifth_taster; exception when duplicate_object then null; end $$;
create table vats (id int primary key, hall text not null);
insert into vats select i, 'hall ' || i % 12 from generate_series(1, 20000) i;
create table musts (id int primary key, vat_id int not null, sugar numeric not null, secret boolean not null);
insert into musts
  select i, 1 + (i * 13) % 20000, case when i % 5 < 4 then 180 else 181 + i % 900 end, i % 100 = 0
  from generate_series(1, 50000) i;
create view open_musts with (security_barrier) as select id, vat_id, sugar from musts where not secret;
grant select on vats, open_musts to fifth_taster;
analyze vats;
analyze musts;
""",
    query="select count(*), max(v.hall) from open_musts m join vats v on v.id = m.vat_id where m.sugar = 180",
    place=at("musts"),
    cure=("alter view open_musts set (security_barrier = false)",),
    others={
        "one vat": "select * from vats where id = 412",
        "open musts": "select count(*) from open_musts",
    },
    role="fifth_taster",
)

FAULTS: Final = (FEES_UNDER_A_POLICY, BARRIER_VIEW)
