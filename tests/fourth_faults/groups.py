"""Groups by columns that depend on each other, and columns whose number of distinct values is wrong."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

_NDISTINCT: Final = "PostgreSQL documentation, 'Multivariate N-Distinct Counts'"

_PRICE_LIST: Final = """
create table rate (source_code text, target_code text, cents int not null, primary key (source_code, target_code));
create table quote (quote_id int primary key, source_code text not null, target_code text not null, words int not null);
insert into rate select 's' || a, 't' || b, 10 + a from generate_series(0, 59) a, generate_series(0, 59) b;
insert into quote select n, 's' || n % 60, 't' || n % 60, 100 + n % 900 from generate_series(1, 30000) n;
analyze;
"""

_DOCKS: Final = """
create table dock (town text, station text, dock_no int, installed date not null, primary key (town, station, dock_no));
create table docking (town text not null, station text not null, dock_no int not null, docked_at timestamp not null);
insert into dock select 'town ' || n / 30, 'station ' || n / 5, n, date '2022-05-01' + n % 300
  from generate_series(0, 119) n;
insert into docking select 'town ' || n % 120 / 30, 'station ' || n % 120 / 5, n % 120,
  timestamp '2025-01-01' + n * interval '5 minutes' from generate_series(1, 30000) n;
analyze;
"""

_SUBSCRIPTIONS: Final = """
create table tenant (tenant_id int primary key, opened date not null);
create table charge (charge_id int primary key, tenant_id int not null, plan_code text not null, currency char(3) not
  null,
  cents int not null);
create view running_charge as select tenant_id, plan_code, currency, cents from charge where cents >= 0;
insert into tenant select n, date '2020-02-02' + n from generate_series(0, 1999) n;
insert into charge select n, n % 200, 'plan ' || n % 200 % 12, (array['SEK', 'CHF', 'EUR', 'PLN', 'CZK'])[1 + n % 200
  % 5], n % 5000
  from generate_series(1, 30000) n;
analyze;
"""

_SET_TOO_LOW: Final = """
create table donor (donor_id int primary key, town text not null);
create table donation (donation_id int primary key, donor_id int not null, cents int not null);
insert into donor select n, 'town ' || n % 33 from generate_series(1, 15000) n;
insert into donation select n, 1 + n * 7 % 15000, n % 10000 from generate_series(1, 30000) n;
alter table donation alter column donor_id set (n_distinct = 20);
analyze;
"""

_SET_TO_UNIQUE: Final = """
create table halt (halt_code text primary key, district text not null);
create table boarding (boarding_id int primary key, halt_code text not null, persons int not null);
insert into halt select 'H' || n, 'district ' || n % 7 from generate_series(1, 3000) n;
insert into boarding select n, 'H' || 1 + n % 50, 1 + n % 4 from generate_series(1, 24000) n;
alter table boarding alter column halt_code set (n_distinct = -1);
analyze;
"""

_FEW_IN_THE_SAMPLE: Final = """
create table household (household_id int primary key, street text not null);
create table water_bill (household_id int not null, cents int not null);
insert into household select n, 'street ' || n % 400 from generate_series(1, 30000) n;
insert into water_bill select case when n % 20 = 0 then n / 20 else 26000 + n % 15 end, n % 700
  from generate_series(1, 500000) n;
analyze;
"""

FAULTS: Final = (
    Fault(
        name="pairs of languages that were quoted",
        code="ndistinct_multi_column",
        source=_NDISTINCT,
        schema=_PRICE_LIST,
        query="select r.cents, q.words from (select quote.source_code, quote.target_code, sum(quote.words) as words"
        " from quote"
        " group by quote.source_code, quote.target_code) q"
        " join rate r on r.source_code = q.source_code and r.target_code = q.target_code",
        place=at("quote", grouping=True),
        cure=("create statistics quote_pair (ndistinct) on source_code, target_code from quote", "analyze quote"),
        others={
            "one pair": "select cents from rate where source_code = 's4' and target_code = 't9'",
            "long quotes": "select count(*) from quote where words > 950",
        },
    ),
    Fault(
        name="docks within stations within towns",
        code="ndistinct_multi_column",
        source="PostgreSQL sources, selfuncs.c, estimate_num_groups: numbers of distinct values are multiplied",
        schema=_DOCKS,
        query="select d.installed, x.n from (select docking.town, docking.station, docking.dock_no, count(*) as n"
        " from docking"
        " group by docking.town, docking.station, docking.dock_no) x"
        " join dock d on d.town = x.town and d.station = x.station and d.dock_no = x.dock_no",
        place=at("docking", grouping=True),
        cure=("create statistics docking_place (ndistinct) on town, station, dock_no from docking", "analyze docking"),
        others={
            "a town": "select count(*) from docking where town = 'town 2'",
            "late": "select count(*) from docking where docked_at > '2025-04-10'",
            "docks": "select town, count(*) from dock group by town",
        },
        also_right=frozenset({"multi_column_join_key"}),
    ),
    Fault(
        name="distinct subscriptions behind a view",
        code="ndistinct_multi_column",
        source=_NDISTINCT,
        schema=_SUBSCRIPTIONS,
        query="select t.opened, c.plan_code from (select distinct tenant_id, plan_code, currency from running_charge) c"
        " join tenant t on t.tenant_id = c.tenant_id",
        place=at("charge", grouping=True),
        cure=(
            "create statistics charge_plan (ndistinct) on tenant_id, plan_code, currency from charge",
            "analyze charge",
        ),
        others={
            "plans": "select plan_code, sum(cents) from running_charge group by plan_code",
            "one charge": "select * from charge where charge_id = 4",
        },
    ),
    Fault(
        name="a number of donors set by hand when there were few",
        code="ndistinct_wrong",
        source="PostgreSQL documentation, ALTER TABLE, n_distinct: overrides what ANALYZE estimates",
        schema=_SET_TOO_LOW,
        query="select d.town, sum(g.cents) from (select donation.donor_id, sum(donation.cents) as cents from donation"
        " group by donation.donor_id) g join donor d on d.donor_id = g.donor_id group by d.town",
        place=at("donation", grouping=True),
        cure=("alter table donation alter column donor_id reset (n_distinct)", "analyze donation"),
        others={
            "large": "select count(*) from donation where cents > 9900",
            "a donor": "select * from donor where donor_id = 12",
        },
    ),
    Fault(
        name="halts declared unique",
        code="ndistinct_wrong",
        source="PostgreSQL documentation, ALTER TABLE, n_distinct: -1 says that every value is different",
        schema=_SET_TO_UNIQUE,
        query="select h.district, b.persons from (select boarding.halt_code, sum(boarding.persons) as persons"
        " from boarding"
        " group by boarding.halt_code) b join halt h on h.halt_code = b.halt_code",
        place=at("boarding", grouping=True),
        cure=("alter table boarding alter column halt_code reset (n_distinct)", "analyze boarding"),
        others={
            "districts": "select district, count(*) from halt group by district",
            "a boarding": "select * from boarding where boarding_id = 12",
            "crowds": "select count(*) from boarding where persons = 4",
        },
    ),
    Fault(
        name="many households, few of them in the sample",
        code="ndistinct_wrong",
        source="pgsql-performance, December 2012, 'serious under-estimation of n_distinct'; analyze.c, Haas and Stokes",
        schema=_FEW_IN_THE_SAMPLE,
        query="select h.street, sum(b.cents) from (select water_bill.household_id, sum(water_bill.cents) as cents"
        " from water_bill group by water_bill.household_id) b join household h on h.household_id = b.household_id"
        " group by h.street",
        place=at("water_bill", grouping=True),
        cure=("alter table water_bill alter column household_id set (n_distinct = 25015)", "analyze water_bill"),
        others={
            "a street": "select count(*) from household where street = 'street 77'",
            "dear": "select count(*) from water_bill where cents > 698",
        },
    ),
)
