"""Joins whose tables hold what no statistics of one table can tell."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

_FOREIGN_KEYS: Final = "PostgreSQL sources, costsize.c, get_foreign_key_join_selectivity"
_LEIS: Final = (
    "V. Leis et al., 'How Good Are Query Optimizers, Really?', PVLDB 9(3), 2015, on correlations across joins"
)

_TENANT_ORDERS: Final = """
create table order_head (tenant_id int, order_no int, placed date not null, primary key (tenant_id, order_no));
create table order_line (tenant_id int not null, order_no int not null, line_no int not null, cents int not null,
  primary key (tenant_id, order_no, line_no));
insert into order_head select n % 200, n, date '2024-01-01' + n % 500 from generate_series(1, 20000) n;
insert into order_line select n % 200, n, l, 100 + n % 99 from generate_series(1, 20000) n, generate_series(1, 2) l;
analyze;
"""

_SEATING: Final = """
create table seat (hall text, block text, seat_no int, view_rank int not null, primary key (hall, block, seat_no));
create table admission (hall text not null, block text not null, seat_no int not null, evening date not null);
insert into seat select 'hall ' || n % 6, 'block ' || n % 120, n, n % 9 from generate_series(1, 6000) n;
insert into admission select 'hall ' || n % 6, 'block ' || n % 120, n, date '2025-01-01' + e
  from generate_series(1, 6000) n, generate_series(1, 4) e;
analyze;
"""

_TOWN_DIARY: Final = """
create table diary (town_code text, day date, rain_mm int not null, primary key (town_code, day));
create table outing (outing_id int primary key, town_code text not null, day date not null, people int not null);
insert into diary select 'T' || n / 250, date '1990-01-01' + n, n % 30 from generate_series(0, 9999) n;
insert into outing select n, 'T' || n % 10000 / 250, date '1990-01-01' + n % 10000, 1 + n % 7
  from generate_series(1, 20000) n;
analyze;
"""

_ONE_BIG_VENUE: Final = """
create table venue (venue_id int primary key, code text not null unique, seats int not null);
create table buyer (buyer_id int primary key, town text not null);
create table purchase (purchase_id int primary key, venue_id int not null references venue, buyer_id int not null,
  cents int not null);
create index on purchase (venue_id);
insert into venue select n, 'V' || n, 50 + n from generate_series(1, 300) n;
insert into buyer select n, 'town ' || n % 80 from generate_series(1, 9000) n;
insert into purchase select n, case when n % 10 = 0 then 1 + n / 10 % 300 else 7 end, 1 + n * 7 % 9000, n % 6000
  from generate_series(1, 30000) n;
analyze;
"""

_NATIVE_TONGUES: Final = """
create table translator (translator_id int primary key, native text not null, city text not null);
create table order_file (file_id int primary key, translator_id int not null references translator, target text not
  null,
  pages int not null);
create table delivery_note (file_id int primary key references order_file, sent_on date not null);
insert into translator select n, 'tongue ' || n % 30, 'city ' || n % 44 from generate_series(0, 2999) n;
insert into order_file select n, n % 3000, 'tongue ' || n % 30, 1 + n % 50 from generate_series(1, 30000) n;
insert into delivery_note select n, date '2025-01-01' + n % 200 from generate_series(1, 30000) n;
analyze;
"""

_LIVE_TENANTS: Final = """
create table workspace (workspace_id int primary key, closed_at timestamp);
create table writer (writer_id int primary key, email text not null);
create table page (page_id int primary key, workspace_id int not null references workspace, writer_id int not null);
insert into workspace select n, case when n % 25 <> 0 then timestamp '2023-01-01' + n * interval '1 hour' end
  from generate_series(1, 500) n;
insert into writer select n, n || '@writers.example' from generate_series(1, 7000) n;
insert into page select n, case when n % 20 = 0 then 1 + n / 20 % 500 else 25 * (1 + n % 20) end, 1 + n * 11 % 7000
  from generate_series(1, 30000) n;
analyze;
"""

_FLOODED_STATION: Final = """
create table dock_trip (trip_id int primary key, station text not null, minutes int not null);
create table station_note (note_id int primary key, station text not null, kind text not null);
insert into dock_trip select n, case when n % 5 = 0 then 'Harbour' else 'Stop ' || n % 400 end, n % 55
  from generate_series(1, 20000) n;
insert into station_note select n, case when n % 100 = 0 then 'Harbour' else 'Stop ' || n % 400 end,
  case when n % 100 = 0 then 'flood' else 'paint' end from generate_series(1, 1000) n;
analyze;
"""

_SHORT_KEY_LISTS: Final = """
create table sowing (plot_id int not null, variety int not null);
create table harvest (variety int not null, kilos int not null);
alter table sowing alter column variety set statistics 1;
alter table harvest alter column variety set statistics 1;
insert into sowing select n, case when n % 2 = 0 then n / 2 % 30 else 1000 + n end from generate_series(1, 6000) n;
insert into harvest select case when n % 2 = 0 then n / 2 % 30 else 1000 + n end, n % 80
  from generate_series(1, 6000) n;
analyze;
"""

FAULTS: Final = (
    Fault(
        name="order lines by tenant and number without a foreign key",
        code="multi_column_join_key",
        source=_FOREIGN_KEYS,
        schema=_TENANT_ORDERS,
        query="select h.placed, sum(l.cents) from order_line l"
        " join order_head h on h.tenant_id = l.tenant_id and h.order_no = l.order_no group by h.placed",
        place=at("h", "l"),
        cure=("alter table order_line add foreign key (tenant_id, order_no) references order_head",),
        others={
            "one order": "select * from order_line where tenant_id = 7 and order_no = 207",
            "a tenant": "select count(*) from order_head where tenant_id = 9",
        },
        never_first=frozenset({"drop_index", "more_statistics"}),
    ),
    Fault(
        name="admissions by hall, block and seat",
        code="multi_column_join_key",
        source="PostgreSQL commit 100340e2d, 'Restore foreign-key-aware estimation of join relation sizes', 2016",
        schema=_SEATING,
        query="select s.view_rank, count(*) from admission a"
        " join seat s on s.hall = a.hall and s.block = a.block and s.seat_no = a.seat_no group by s.view_rank",
        place=at("a", "s"),
        cure=("alter table admission add foreign key (hall, block, seat_no) references seat",),
        others={
            "an evening": "select count(*) from admission where evening = '2025-01-03'",
            "good seats": "select count(*) from seat where view_rank = 1",
            "a hall": "select block, count(*) from seat where hall = 'hall 2' group by block",
        },
        never_first=frozenset({"drop_index", "more_statistics"}),
    ),
    Fault(
        name="outings and the diary of their town and day",
        code="multi_column_join_key",
        source="PostgreSQL documentation, 'Multivariate Statistics Examples': statistics are of one table; costsize.c",
        schema=_TOWN_DIARY,
        query="select d.rain_mm, sum(o.people) from outing o join diary d on d.town_code = o.town_code and d.day ="
        " o.day"
        " group by d.rain_mm",
        place=at("o", "d"),
        cure=("alter table outing add foreign key (town_code, day) references diary",),
        others={
            "a town": "select max(rain_mm) from diary where town_code = 'T8'",
            "an outing": "select * from outing where outing_id = 8",
        },
        never_first=frozenset({"drop_index", "more_statistics"}),
    ),
    Fault(
        name="the great venue looked up by its code",
        code="cross_table_correlation",
        also_right=frozenset({"join_key_skew"}),
        source=_LEIS,
        schema=_ONE_BIG_VENUE,
        query="select b.town, sum(p.cents) from purchase p join venue v on v.venue_id = p.venue_id"
        " join buyer b on b.buyer_id = p.buyer_id where v.code = 'V7' group by b.town",
        place=at("p", "v"),
        cure=(),
        cured_query="select b.town, sum(p.cents) from purchase p join buyer b on b.buyer_id = p.buyer_id"
        " where p.venue_id = 7 group by b.town",
        cured_place=at("p"),
        others={
            "one venue": "select count(*) from purchase where venue_id = 12",
            "a buyer": "select town from buyer where buyer_id = 5",
            "large venues": "select * from venue where seats > 340",
        },
        never_first=frozenset({"drop_index", "more_statistics", "refresh_statistics"}),
    ),
    Fault(
        name="files that go to translators of the target's tongue",
        code="cross_table_correlation",
        source=_LEIS,
        schema=_NATIVE_TONGUES,
        query="select t.city, max(d.sent_on) from order_file f join translator t on t.translator_id = f.translator_id"
        " join delivery_note d on d.file_id = f.file_id"
        " where t.native = 'tongue 12' and f.target = 'tongue 12' group by t.city",
        place=at("f", "t"),
        cure=(
            "alter table order_file add column translator_native text",
            "update order_file f set translator_native = native from translator t"
            " where t.translator_id = f.translator_id",
            "create statistics file_tongues (mcv) on target, translator_native from order_file",
            "analyze order_file",
        ),
        cured_query="select t.city, max(d.sent_on) from order_file f"
        " join translator t on t.translator_id = f.translator_id"
        " join delivery_note d on d.file_id = f.file_id"
        " where f.translator_native = 'tongue 12' and f.target = 'tongue 12' group by t.city",
        cured_place=at("f", "t"),
        others={
            "a tongue": "select count(*) from translator where native = 'tongue 3'",
            "thick files": "select count(*) from order_file where pages > 48",
        },
        never_first=frozenset({"drop_index", "more_statistics", "refresh_statistics"}),
    ),
    Fault(
        name="pages of the few workspaces that are open",
        code="cross_table_correlation",
        also_right=frozenset({"join_key_skew"}),
        source=f"{_LEIS}; common practice, no source, for the soft deletion",
        schema=_LIVE_TENANTS,
        query="select r.email, count(*) from page p join workspace w on w.workspace_id = p.workspace_id"
        " join writer r on r.writer_id = p.writer_id where w.closed_at is null group by r.email",
        place=at("p", "w"),
        cure=(
            "alter table page add column in_use boolean",
            "update page p set in_use = closed_at is null from workspace w where w.workspace_id = p.workspace_id",
            "analyze page",
        ),
        cured_query="select r.email, count(*) from page p join writer r on r.writer_id = p.writer_id"
        " where p.in_use group by r.email",
        cured_place=at("p"),
        others={
            "closed early": "select count(*) from workspace where closed_at < '2023-01-05'",
            "a writer": "select email from writer where writer_id = 9",
        },
        never_first=frozenset({"drop_index", "more_statistics", "refresh_statistics"}),
    ),
    Fault(
        name="notes of floods, which are all of one busy station",
        code="join_key_skew",
        also_right=frozenset({"cross_table_correlation"}),
        source="Y. Ioannidis, S. Christodoulakis, 'On the Propagation of Errors in the Size of Join Results', SIGMOD"
        " 1991",
        schema=_FLOODED_STATION,
        query="select t.minutes, count(*) from station_note n join dock_trip t on t.station = n.station"
        " where n.kind = 'flood' group by t.minutes",
        place=at("n", "t"),
        cure=("create statistics note_kind (mcv) on station, kind from station_note", "analyze station_note"),
        cured_query="select t.minutes, count(*) from station_note n join dock_trip t on t.station = n.station"
        " where n.kind = 'flood' and n.station = 'Harbour' and t.station = 'Harbour' group by t.minutes",
        others={
            "a stop": "select avg(minutes) from dock_trip where station = 'Stop 17'",
            "a note": "select * from station_note where note_id = 17",
        },
    ),
    Fault(
        name="varieties sown and harvested, with lists of one value",
        code="join_key_skew",
        also_right=frozenset({"column_target_too_low"}),
        source="PostgreSQL sources, selfuncs.c, eqjoinsel_inner: both lists of common values are matched",
        schema=_SHORT_KEY_LISTS,
        query="select h.kilos, count(*) from sowing s join harvest h on h.variety = s.variety group by h.kilos",
        place=at("s", "h"),
        cure=(
            "alter table sowing alter column variety set statistics 100",
            "alter table harvest alter column variety set statistics 100",
            "analyze sowing",
            "analyze harvest",
        ),
        others={
            "good harvests": "select count(*) from harvest where kilos > 75",
            "a plot": "select variety from sowing where plot_id = 40",
        },
    ),
)
