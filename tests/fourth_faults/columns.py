"""One column whose list or histogram is too short, and expressions of which nothing is known."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

_TARGETS: Final = "PostgreSQL documentation, 'Statistics Used by the Planner': ALTER TABLE SET STATISTICS"
_EXPRESSIONS: Final = "PostgreSQL documentation, CREATE STATISTICS, on expressions"

_POSTMARKS: Final = """
create table sorter (sorter_id int primary key, shift text not null);
create table parcel (sorter_id int not null references sorter, postmark text not null, grams int not null);
insert into sorter select n, 'shift ' || n % 3 from generate_series(1, 3000) n;
insert into parcel select 1 + n * 7 % 3000, case when n < 15000 then 'busy ' || n % 100
  when n < 18600 then 'middling ' || n % 30 else 'rare ' || n end, 50 + n % 2000 from generate_series(0, 29999) n;
analyze;
"""

_SHORT_LIST: Final = """
create table warden (warden_id int primary key, quarter text not null);
create table permit (permit_no int primary key, warden_id int not null references warden, scheme text not null);
insert into warden select n, 'quarter ' || n % 9 from generate_series(1, 9000) n;
alter table permit alter column scheme set statistics 5;
insert into permit select n, 1 + n * 11 % 9000, case when n % 100 < 40 then 'large ' || n % 5
  when n % 100 < 55 then 'small ' || n % 5 else 'single ' || n end from generate_series(1, 30000) n;
analyze;
"""

_WEAR: Final = """
create table machine (machine_id int primary key, maker text not null);
create table service (machine_id int not null references machine, hours numeric not null);
insert into machine select n, 'maker ' || n % 14 from generate_series(1, 2500) n;
insert into service select 1 + n % 2500, case when n <= 19800 then n * 0.05 when n <= 19990 then 5000 + (n - 19800) *
  0.05
  else 90000 + n end from generate_series(1, 20000) n;
analyze;
"""

_MONTHLY_SALES: Final = """
create table season (first_day timestamp primary key, label text not null);
create table till_sale (sale_id int primary key, sold_at timestamp not null, cents int not null);
insert into season select timestamp '2022-01-01' + n * interval '1 month', 'month ' || n
  from generate_series(0, 2399) n;
insert into till_sale select n, timestamp '2024-01-01' + n * interval '35 minutes', 300 + n % 4000
  from generate_series(1, 24000) n;
analyze;
"""

_DOCUMENTS: Final = """
create table archive_box (box_no int primary key, shelf text not null);
create table letter (letter_id int primary key, box_no int not null references archive_box, meta jsonb not null);
insert into archive_box select n, 'shelf ' || n % 50 from generate_series(1, 10000) n;
insert into letter select n, 1 + n * 7 % 10000, jsonb_build_object('language',
  case when n % 5 < 2 then 'fi' else 'et' end,
  'pages', n % 30, 'signature', 'L' || n) from generate_series(1, 20000) n;
analyze;
"""

_OVERRUNS: Final = """
create table rider (rider_id int primary key, since date not null);
create table hire (hire_id int primary key, rider_id int not null references rider, charged int not null, ridden int
  not null);
insert into rider select n, date '2023-01-01' + n % 700 from generate_series(1, 60000) n;
insert into hire select n, 1 + n * 13 % 60000, 10 + n % 80 + case when n % 400 = 0 then 60 else 0 end, 10 + n % 80
  from generate_series(1, 30000) n;
analyze;
"""

FAULTS: Final = (
    Fault(
        name="a postmark that just missed the list",
        code="column_target_too_low",
        source="https://www.postgresql.org/docs/current/row-estimation-examples.html: a value that is not in the list",
        schema=_POSTMARKS,
        query="select s.shift, sum(p.grams) from parcel p join sorter s on s.sorter_id = p.sorter_id"
        " where p.postmark = 'middling 7' group by s.shift",
        place=at("p"),
        cure=("alter table parcel alter column postmark set statistics 1000", "analyze parcel"),
        others={
            "heavy": "select count(*) from parcel where grams > 2000",
            "busy": "select sum(grams) from parcel where postmark = 'busy 3'",
            "shifts": "select shift, count(*) from sorter group by shift",
        },
        never_first=frozenset({"drop_index", "new_index"}),
    ),
    Fault(
        name="a list cut to five by hand",
        code="column_target_too_low",
        source=_TARGETS,
        schema=_SHORT_LIST,
        query="select w.quarter, count(*) from permit p join warden w on w.warden_id = p.warden_id"
        " where p.scheme = 'small 2' group by w.quarter",
        place=at("p"),
        cure=("alter table permit alter column scheme set statistics 100", "analyze permit"),
        others={
            "a permit": "select * from permit where permit_no = 17",
            "large": "select count(*) from permit where scheme = 'large 1'",
        },
        never_first=frozenset({"drop_index", "new_index"}),
    ),
    Fault(
        name="a cluster of hours inside the histogram's last part",
        code="column_target_too_low",
        source="PostgreSQL sources, selfuncs.c, ineq_histogram_selectivity: linear within a part",
        schema=_WEAR,
        query="select m.maker, s.hours from service s join machine m on m.machine_id = s.machine_id"
        " where s.hours between 4900 and 5100",
        place=at("s"),
        cure=("alter table service alter column hours set statistics 1000", "analyze service"),
        others={
            "young": "select count(*) from service where hours < 10",
            "makers": "select maker, count(*) from machine group by maker",
            "a machine": "select * from machine where machine_id = 5",
        },
        never_first=frozenset({"drop_index", "new_index"}),
    ),
    Fault(
        name="sales by month",
        code="expression_without_statistics",
        source=f"{_EXPRESSIONS}: the example groups by date_trunc('month', a)",
        schema=_MONTHLY_SALES,
        query="select c.label, m.cents from (select date_trunc('month', till_sale.sold_at) as first_day,"
        " sum(till_sale.cents) as cents from till_sale group by 1) m join season c on c.first_day = m.first_day",
        place=at("till_sale", grouping=True),
        cure=("create statistics sale_month on date_trunc('month', sold_at) from till_sale", "analyze till_sale"),
        others={
            "one sale": "select * from till_sale where sale_id = 12",
            "a day": "select sum(cents) from till_sale where sold_at >= '2024-03-01' and sold_at < '2024-03-02'",
        },
    ),
    Fault(
        name="a field of a JSON document",
        code="expression_without_statistics",
        source=_EXPRESSIONS,
        schema=_DOCUMENTS,
        query="select b.shelf, count(*) from letter l join archive_box b on b.box_no = l.box_no"
        " where l.meta ->> 'language' = 'fi' group by b.shelf",
        place=at("l"),
        cure=("create statistics letter_language on (meta ->> 'language') from letter", "analyze letter"),
        others={
            "a letter": "select meta from letter where letter_id = 5",
            "a shelf": "select count(*) from archive_box where shelf = 'shelf 9'",
            "letters": "select count(*) from letter",
        },
    ),
    Fault(
        name="charged far more than ridden",
        code="expression_without_statistics",
        source="PostgreSQL sources, selfuncs.h, DEFAULT_INEQ_SEL; PostgreSQL documentation, CREATE STATISTICS",
        schema=_OVERRUNS,
        query="select r.since, h.hire_id from hire h join rider r on r.rider_id = h.rider_id"
        " where h.charged - h.ridden > 30",
        place=at("h"),
        cure=("create statistics hire_overrun on (charged - ridden) from hire", "analyze hire"),
        others={
            "long": "select count(*) from hire where ridden > 85",
            "a rider": "select * from rider where rider_id = 60",
        },
    ),
)
