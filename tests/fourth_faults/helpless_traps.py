"""Misestimates that the obvious remedy leaves as they are, and indexes that serve more than this query."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import INDEX_KINDS, STATISTICS_KINDS, Trap, at

_STATISTICS: Final = "PostgreSQL documentation, CREATE STATISTICS: one table; 'Multivariate Statistics Examples'"

_KINDS: Final = """
create table file_kind (kind_id int primary key, suffix text not null unique);
create table stored_file (file_id int primary key, kind_id int not null references file_kind, folder_id int not null);
create table folder (folder_id int primary key, path text not null);
insert into file_kind select n, '.k' || n from generate_series(1, 250) n;
insert into folder select n, '/f/' || n from generate_series(1, 5000) n;
insert into stored_file select n, case when n % 12 = 0 then 1 + n / 12 % 250 else 3 end, 1 + n * 7 % 5000
  from generate_series(1, 24000) n;
analyze;
"""

_FREIGHT: Final = """
create table consignee (consignee_id int primary key, port text not null);
create table freight (freight_id int primary key, consignee_id int not null references consignee, loaded_on date not
  null,
  landed_on date not null);
insert into consignee select n, 'port ' || n % 15 from generate_series(1, 20000) n;
insert into freight select n, 1 + n * 7 % 20000, date '2018-01-01' + n % 1500, date '2018-01-01' + n % 1500 + 1 + n /
  1500
  from generate_series(0, 29999) n;
analyze;
"""

_PRICES: Final = """
create table quote_price (grain text not null, quoted_on date not null, cents int not null);
create table sack_sale (sale_id int primary key, grain text not null, sold_on date not null, sacks int not null);
insert into quote_price select 'grain ' || n / 100, date '2000-01-01' + n, n % 200 from generate_series(0, 7999) n;
insert into sack_sale select n, 'grain ' || n % 8800 / 100, date '2000-01-01' + n % 8800, 1 + n % 8
  from generate_series(1, 20000) n;
analyze;
"""

_NEVER_LENT: Final = """
create table score (score_id int primary key, composer text not null);
create table lending (lending_id int primary key, score_id int not null, lent_on date not null);
insert into score select n, 'composer ' || n % 300 from generate_series(1, 6000) n;
insert into lending select n, 3001 + n % 12000, date '2024-01-01' + n % 365 from generate_series(1, 24000) n;
analyze;
"""

_PARTS: Final = """
create table part (part_no int primary key, within int, grams int not null);
create index on part (within);
create table supplier_note (part_no int primary key, supplier text not null);
insert into part select n, case when n > 1 then n / 2 end, n % 70 from generate_series(1, 12000) n;
insert into supplier_note select n, 'supplier ' || n % 40 from generate_series(1, 40000) n;
analyze;
"""

_PASSES: Final = """
create table pass_holder (holder_id int primary key, pass_code text not null unique, birth_year int not null);
create table gate_entry (entry_id int primary key, pass_code text not null, zone text not null, tariff text not null);
insert into pass_holder select n, 'P' || n, 1930 + n % 90 from generate_series(1, 9000) n;
insert into gate_entry select n, 'P' || 1 + n * 7 % 9000, 'zone ' || n % 40, 'tariff ' || n % 40
  from generate_series(1, 30000) n;
analyze;
"""

HELPLESS_TRAPS: Final = (
    Trap(
        name="a common kind of file, by its suffix: no statistics cross the tables",
        source=f"{_STATISTICS}; V. Leis et al., PVLDB 9(3), 2015",
        schema=_KINDS,
        query="select f.path, count(*) from stored_file s join file_kind k on k.kind_id = s.kind_id"
        " join folder f on f.folder_id = s.folder_id where k.suffix = '.k3' group by f.path",
        place=at("s", "k"),
        never_first=STATISTICS_KINDS | {"drop_index"},
        useless=(
            "alter table stored_file alter column kind_id set statistics 1000",
            "create statistics kind_folder on kind_id, folder_id from stored_file",
            "analyze",
        ),
        others={
            "a kind": "select count(*) from stored_file where kind_id = 9",
            "a folder": "select path from folder where folder_id = 9",
        },
    ),
    Trap(
        name="on the water on a day: too many pairs of dates for any list",
        source="PostgreSQL documentation, 'Multivariate Statistics Examples', 'MCV Lists'; TPC-H's ship and receipt"
        " dates,"
        " measured: no kind of statistics object helped",
        schema=_FREIGHT,
        query="select c.port, f.freight_id from freight f join consignee c on c.consignee_id = f.consignee_id"
        " where f.loaded_on < date '2020-01-20' and f.landed_on >= date '2020-01-20'",
        place=at("f"),
        never_first=STATISTICS_KINDS | {"drop_index"},
        useless=(
            "create statistics freight_days on loaded_on, landed_on from freight",
            "alter statistics freight_days set statistics 10000",
            "analyze freight",
        ),
        others={
            "a day": "select count(*) from freight where loaded_on = '2019-09-09'",
            "a port": "select count(*) from consignee where port = 'port 3'",
            "a freight": "select * from freight where freight_id = 3",
        },
    ),
    Trap(
        name="grain and day of prices: a statistics object does nothing for a join",
        source=f"{_STATISTICS}; TPC-H's part and supplier keys, measured: no change by objects on both tables",
        schema=_PRICES,
        query="select s.sacks, avg(q.cents) from sack_sale s join quote_price q on q.grain = s.grain and q.quoted_on"
        " = s.sold_on"
        " group by s.sacks",
        place=at("s", "q"),
        never_first=STATISTICS_KINDS | {"drop_index"},
        useless=(
            "create statistics price_key on grain, quoted_on from quote_price",
            "create statistics sale_key on grain, sold_on from sack_sale",
            "analyze",
        ),
        others={
            "a grain": "select max(cents) from quote_price where grain = 'grain 3'",
            "a sale": "select * from sack_sale where sale_id = 3",
        },
    ),
    Trap(
        name="scores that were never lent",
        source="PostgreSQL sources, selfuncs.c, eqjoinsel_semi: compares numbers of distinct values only; TPC-H's"
        " customers"
        " without orders, measured: 1 expected, 5,000 came",
        schema=_NEVER_LENT,
        query="select s.composer, count(*) from score s where not exists (select from lending l"
        " where l.score_id = s.score_id)"
        " group by s.composer",
        place=at("s", "l"),
        never_first=STATISTICS_KINDS | {"drop_index"},
        useless=(
            "alter table lending alter column score_id set statistics 1000",
            "alter table score alter column score_id set statistics 1000",
            "analyze",
        ),
        others={
            "a day": "select count(*) from lending where lent_on = '2024-08-08'",
            "a composer": "select count(*) from score where composer = 'composer 8'",
        },
    ),
    Trap(
        name="all parts within one, by recursion",
        source="PostgreSQL sources, costsize.c, cost_recursive_union; planner statistics are of stored tables",
        schema=_PARTS,
        query="with recursive inside(part_no) as (select part_no from part where part_no = 1 union all"
        " select p.part_no from part p join inside i on p.within = i.part_no)"
        " select n.supplier, count(*) from inside x join supplier_note n on n.part_no = x.part_no group by n.supplier",
        place=at("x"),
        never_first=STATISTICS_KINDS | {"drop_index"},
        useless=("analyze", "create statistics part_tree on part_no, within from part", "analyze part"),
        others={
            "a part": "select grams from part where within = 77",
            "a supplier": "select count(*) from supplier_note where supplier = 'supplier 7'",
        },
    ),
    Trap(
        name="a unique code that a misestimated loop reads",
        source="PostgreSQL documentation, 'Unique Indexes' and 'Constraints': the index keeps the constraint",
        schema=_PASSES,
        query="select h.birth_year, count(*) from gate_entry e join pass_holder h on h.pass_code = e.pass_code"
        " where e.zone = 'zone 4' and e.tariff = 'tariff 4' group by h.birth_year",
        place=at("e"),
        never_first=INDEX_KINDS,
        useless=("create index on gate_entry (zone)", "analyze gate_entry"),
        others={
            "a pass": "select birth_year from pass_holder where pass_code = 'P77'",
            "a zone": "select count(*) from gate_entry where zone = 'zone 5'",
        },
    ),
)
