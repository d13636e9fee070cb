"""Estimates for which the planner has a fixed rule and no statistics: recursion and filters by a subplan."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

CASES_OF_APPEAL: Final = Fault(
    name="a recursion through all appeals of one case is taken for ten times its start",
    code="unexplained",
    source="PostgreSQL documentation, recursive_worktable_factor: the planner's guess for a recursive term",
    schema="""
create table appeals (id int primary key, of_id int not null);
insert into appeals select i, case when i = 1 then 0 else (i + 18) / 20 end from generate_series(1, 40000) i;
create index on appeals (of_id);
create table rulings (appeal_id int primary key, words int not null);
insert into rulings select i, i % 900 from generate_series(1, 40000) i;
analyze appeals;
analyze rulings;
""",
    query="with recursive chain as (select id from appeals where id = 1 union all"
    " select a.id from chain c join appeals a on a.of_id = c.id) select count(*), sum(r.words) from chain"
    " join rulings r on r.appeal_id = chain.id",
    place=at("chain"),
    cure=("set recursive_worktable_factor = 100",),
    others={
        "an appeal": "select * from appeals where id = 5",
        "long rulings": "select count(*) from rulings where words > 890",
    },
)

EITHER_OR: Final = Fault(
    name="repairs that are urgent or on a short list are taken for half of all",
    code="unexplained",
    source="clause_selectivity in src/backend/optimizer/path/clausesel.c: half of all rows for a subplan",
    schema="""
create table costume_repairs (id int primary key, urgent boolean not null, seam int not null);
insert into costume_repairs select i, i % 10000 = 0, i % 60 from generate_series(1, 50000) i;
create table short_list (repair_id int primary key);
insert into short_list select i * 1000 from generate_series(1, 20) i;
create table threads (repair_id int primary key, metres int not null);
insert into threads select i, i % 35 from generate_series(1, 50000) i;
create index on costume_repairs (urgent) where urgent;
analyze costume_repairs;
analyze short_list;
analyze threads;
""",
    query="select count(*), sum(t.metres) from costume_repairs r join threads t on t.repair_id = r.id"
    " where r.urgent or r.id in (select repair_id from short_list)",
    place=at("r"),
    cure=(),
    cured_query="select count(*), sum(t.metres) from (select id from costume_repairs where urgent union"
    " select repair_id from short_list) r join threads t on t.repair_id = r.id",
    cured_place=at("costume_repairs", "short_list"),
    others={
        "a repair": "select * from costume_repairs where id = 5",
        "long threads": "select count(*) from threads where metres > 33",
    },
)

FAULTS: Final = (CASES_OF_APPEAL, EITHER_OR)
