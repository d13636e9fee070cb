"""Roles that a row policy bars from the statistics."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

from .schemas import HOSTEL, HOSTEL_LIST, TRAMS, TRAMS_LIST, spread

_LEAKPROOF: Final = (
    "PostgreSQL documentation, 'Planner Statistics and Security' and 'Row Security Policies': operators that are not"
    " leakproof don't see the statistics of a table with a policy"
)


def _role(name: str) -> str:
    return f"do $$ begin create role {name}; exception when duplicate_object then null; end $$;\n"


_NUMERIC: Final = Fault(
    name="a price behind a row policy",
    code="statistics_not_usable",
    source=_LEAKPROOF,
    schema=HOSTEL
    + _role("sixth_ledger_clerk")
    + f"""
    create table stays (stay_id int primary key, member_id int not null references members,
      hostel_id int not null references hostels, price numeric not null, hidden boolean not null);
    insert into stays select i, 1 + {spread(11, 20000)}, 1 + {spread(12, 200)},
      case when i % 10 < 7 then 18.50 else 10 + (i % 4000) / 100.0 end, i % 50 = 0 from generate_series(1, 80000) i;
    analyze stays;
    alter table stays enable row level security;
    create policy shown on stays using (not hidden);
    grant select on all tables in schema public to sixth_ledger_clerk;
    """,
    query="select t.region, count(*) from stays s join members m using (member_id) join towns t using (town_id)"
    " where s.price = 18.50 group by t.region",
    place=at("s"),
    cure=("alter function pg_catalog.numeric_eq(numeric, numeric) leakproof",),
    others={**HOSTEL_LIST, "stays by hostel": "select hostel_id, count(*) from stays group by hostel_id"},
    role="sixth_ledger_clerk",
)

_PATTERN: Final = Fault(
    name="letters of either case behind a row policy",
    code="statistics_not_usable",
    source=_LEAKPROOF,
    schema=TRAMS
    + _role("sixth_fitter")
    + f"""
    create table defects (defect_id int primary key, car_id int not null references cars, code text not null,
      workshop_id int not null references workshops);
    insert into defects select i, 1 + {spread(13, 3000)}, case when i % 20 < 11 then 'BRK-' else 'DOR-' end || i % 700,
      1 + i % 30 from generate_series(1, 60000) i;
    analyze defects;
    alter table defects enable row level security;
    create policy own on defects using (workshop_id < 29);
    grant select on all tables in schema public to sixth_fitter;
    """,
    query="select d.name, count(*) from defects f join cars c using (car_id) join depots d using (depot_id)"
    " where f.code ilike 'brk-%' group by d.name",
    place=at("f"),
    cure=("alter function pg_catalog.texticlike(text, text) leakproof",),
    others={**TRAMS_LIST, "defects of a car": "select code from defects where car_id = 17"},
    role="sixth_fitter",
)

FAULTS: Final = (_NUMERIC, _PATTERN)
