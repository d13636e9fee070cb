"""Indexes that are missing, and indexes whose order promises an early end that does not come."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

_FOREIGN: Final = "PostgreSQL documentation, 'Constraints': an index on the referencing columns is often a good idea"
_ORDER: Final = "PostgreSQL documentation, 'Multicolumn Indexes': most efficient on the leading columns"
_LIMIT: Final = (
    "'When LIMIT Attacks', thebuild.com, 19 November 2014: an index on the order, and all matches at its other end"
)

UNINDEXED_REFERENCE: Final = Fault(
    name="the treatments of three animals, whose reference has no index",
    code="missing_join_index",
    source=_FOREIGN,
    schema="""
create table mules (id int primary key, chip text not null unique);
insert into mules select i, 'chip ' || i from generate_series(1, 30000) i;
create table doses (id int primary key, mule_id int not null references mules, drug text not null);
insert into doses select i, 1 + (i * 7) % 30000, 'drug ' || i % 300 from generate_series(1, 120000) i;
analyze mules;
analyze doses;
""",
    query="select m.chip, d.drug from mules m join doses d on d.mule_id = m.id"
    " where m.chip in ('chip 71', 'chip 712', 'chip 7123')",
    place=at("m", "d"),
    cure=("create index on doses (mule_id)",),
    measure="pages",
    others={
        "a dose": "select * from doses where id = 5",
        "a mule": "select * from mules where id = 3",
    },
)

WRONG_LEAD: Final = Fault(
    name="the index on exposures leads with the filter, and the join asks for the plate",
    code="missing_join_index",
    source=_ORDER,
    schema="""
create table plates (id int primary key, box text not null);
insert into plates select i, 'box ' || i % 6000 from generate_series(1, 30000) i;
create table marks (id int primary key, plate_id int not null, hue int not null, note text not null);
insert into marks select i, 1 + (i * 11) % 30000, i % 1700, 'note ' || i from generate_series(1, 120000) i;
create index on marks (hue, plate_id);
create index on plates (box);
analyze plates;
analyze marks;
""",
    query="select p.id, k.note from plates p join marks k on k.plate_id = p.id where p.box = 'box 77'",
    place=at("p", "k"),
    cure=("create index on marks (plate_id)",),
    measure="pages",
    others={
        "a hue": "select count(*) from marks where hue = 5",
        "a plate": "select * from plates where id = 3",
    },
)

LATEST_OF_EACH: Final = Fault(
    name="the latest weighing of ten barrels, each looked for in all weighings",
    code="missing_join_index",
    source=_FOREIGN + "; 'LATERAL Subqueries': evaluated for each row",
    schema="""
create table barrels (id int primary key, cellar int not null);
insert into barrels select i, i % 2000 from generate_series(1, 20000) i;
create index on barrels (cellar);
create table weighings (id int primary key, barrel_id int not null, weighed date not null, kilos int not null);
insert into weighings
  select i, 1 + (i * 7) % 20000, date '2020-01-01' + i % 1500, i % 260 from generate_series(1, 100000) i;
analyze barrels;
analyze weighings;
""",
    query="select b.id, w.kilos from barrels b cross join lateral (select z.kilos from weighings z"
    " where z.barrel_id = b.id order by z.weighed desc limit 1) w where b.cellar = 44",
    place=at("b", "z"),
    cure=("create index on weighings (barrel_id, weighed)",),
    measure="pages",
    others={
        "a weighing": "select * from weighings where id = 5",
        "a barrel": "select * from barrels where id = 3",
    },
)

LAST_WRECKS: Final = Fault(
    name="the last ten wrecks of the log, all of them long ago",
    code="luring_index",
    source=_LIMIT,
    schema="""
create table captains (id int primary key, port text not null);
insert into captains select i, 'port ' || i % 40 from generate_series(1, 20000) i;
create table log_lines (id int primary key, captain_id int not null, kind text not null, written timestamp not null);
insert into log_lines
  select i, 1 + (i * 13) % 20000, case when i <= 800 then 'wreck' else 'kind ' || i % 30 end,
         timestamp '2010-01-01' + i * interval '1 hour'
  from generate_series(1, 80000) i;
create index on log_lines (written);
analyze captains;
analyze log_lines;
""",
    query="select l.id, c.port from log_lines l join captains c on c.id = l.captain_id where l.kind = 'wreck'"
    " order by l.written desc limit 10",
    place=at("l", "c"),
    cure=("create index on log_lines (kind, written)",),
    measure="pages",
    others={
        "a line": "select * from log_lines where id = 5",
        "today's lines": "select count(*) from log_lines where written > '2019-02-01'",
    },
    also_right=frozenset({"missing_join_index"}),
)

FIRST_DEEP_BOTTLES: Final = Fault(
    name="the first twenty bottles of the deep vault, which was filled last",
    code="luring_index",
    source=_LIMIT,
    schema="""
create table shelves (id int primary key, vault text not null);
insert into shelves select i, case when i > 24600 then 'deep' else 'vault ' || i % 20 end
  from generate_series(1, 25000) i;
create table stored (id int primary key, shelf_id int not null, label text not null);
insert into stored select i, 1 + i * 25000 / 60001, 'label ' || i from generate_series(1, 60000) i;
analyze shelves;
analyze stored;
""",
    query="select s.id, s.label from stored s join shelves v on v.id = s.shelf_id where v.vault = 'deep'"
    " order by s.id limit 20",
    place=at("s", "v"),
    cure=(),
    cured_query="select s.id, s.label from stored s join shelves v on v.id = s.shelf_id where v.vault = 'deep'"
    " order by s.id + 0 limit 20",
    measure="pages",
    others={
        "a shelf": "select * from shelves where id = 5",
        "a bottle": "select * from stored where id = 3",
    },
    also_right=frozenset({"cross_table_correlation", "missing_join_index"}),
)

FAULTS: Final = (UNINDEXED_REFERENCE, WRONG_LEAD, LATEST_OF_EACH, LAST_WRECKS, FIRST_DEEP_BOTTLES)
