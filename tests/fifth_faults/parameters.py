"""Prepared statements whose plan is made without their parameters."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

_PREPARE: Final = "PostgreSQL documentation, PREPARE (notes on generic and custom plans) and plan_cache_mode"

GENERIC_STATE: Final = Fault(
    name="the practice's program prepares the list of invoices by state",
    code="generic_plan",
    source=_PREPARE,
    schema="""
create table owners (id int primary key, village text not null);
insert into owners select i, 'village ' || i % 60 from generate_series(1, 30000) i;
create table invoices (id int primary key, owner_id int not null, state int not null);
insert into invoices
  select i, 1 + (i * 23) % 30000, case when i % 10 < 9 then 0 else 1 + i % 3000 end from generate_series(1, 60000) i;
create index on invoices (state);
analyze owners;
analyze invoices;
""",
    prelude=(
        "set plan_cache_mode = force_generic_plan",
        "prepare by_state(int) as select count(*), min(o.village) from invoices i join owners o on o.id = i.owner_id"
        " where i.state = $1",
    ),
    query="execute by_state(0)",
    place=at("i"),
    cure=("set plan_cache_mode = force_custom_plan",),
    others={
        "an owner": "select * from owners where id = 9",
        "owners by village": "select village, count(*) from owners group by village",
    },
)

GENERIC_SPAN: Final = Fault(
    name="a prepared report of light hours spans all years",
    code="generic_plan",
    source=_PREPARE + "; DEFAULT_RANGE_INEQ_SEL in src/include/utils/selfuncs.h",
    schema="""
create table lamps (id int primary key, maker text not null);
insert into lamps select i, 'maker ' || i % 35 from generate_series(1, 20000) i;
create table burnings (id int primary key, lamp_id int not null, lit date not null, hours int not null);
insert into burnings
  select i, 1 + (i * 29) % 20000, date '2015-01-01' + i % 3600, i % 15 from generate_series(1, 50000) i;
create index on burnings (lit);
analyze lamps;
analyze burnings;
""",
    prelude=(
        "set plan_cache_mode = force_generic_plan",
        "prepare hours_between(date, date) as select l.maker, sum(b.hours) from burnings b"
        " join lamps l on l.id = b.lamp_id where b.lit between $1 and $2 group by l.maker",
    ),
    query="execute hours_between('2015-01-01', '2024-12-31')",
    place=at("b"),
    cure=("set plan_cache_mode = force_custom_plan",),
    others={
        "a day": "select count(*) from burnings where lit = '2016-02-02'",
        "a lamp": "select * from lamps where id = 42",
    },
)

FAULTS: Final = (GENERIC_STATE, GENERIC_SPAN)
