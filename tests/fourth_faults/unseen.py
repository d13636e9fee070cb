"""Tables that ANALYZE never saw, saw too early, or saw only in parts."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

_DAY_TO_DAY: Final = "PostgreSQL documentation, 'Routine Vacuuming', section 'Updating Planner Statistics'"

_BOX_OFFICE: Final = """
create table show (show_no int primary key, hall text not null, starts_at timestamptz not null);
create table ticket (barcode bigint primary key, show_no int not null references show, price numeric(6,2) not null);
insert into show select n, case when n % 4 = 0 then 'great' else 'small' end,
  timestamptz '2025-09-01 19:30+00' + n * interval '1 day' from generate_series(1, 200) n;
insert into ticket select 700000 + n, 1 + n % 200, 20 + n % 60 from generate_series(1, 40000) n;
analyze show;
analyze ticket;
create table gate_scan (barcode bigint not null, gate text not null, scanned_at timestamptz not null);
insert into gate_scan select 700000 + 2 * n, case when n % 3 = 0 then 'south' else 'north' end,
  timestamptz '2025-09-02 18:00+00' + n * interval '1 second' from generate_series(1, 18000) n;
"""

_SEED_VAULTS: Final = """
create table accession (accession_id int primary key, taxon text not null, weight_g int not null);
create table germination (accession_id int not null references accession, tested_on date not null, sprouted int not
  null,
  primary key (accession_id, tested_on));
insert into accession select n, 'taxon ' || n % 700, 5 + n % 90 from generate_series(1, 20000) n;
insert into germination select 1 + n / 3, date '2019-03-01' + (n % 3) * 365, n % 100 from generate_series(3, 59999) n;
analyze accession;
analyze germination;
alter table accession add column vault text;
update accession set vault = case when accession_id % 5 < 3 then 'cold' when accession_id % 5 = 3 then 'dry' else
  'loan' end;
"""

_OPEN_SEGMENTS: Final = """
create table translation_job (job_no int primary key, client text not null, due date not null);
create table segment (job_no int not null references translation_job, position int not null, language text not null,
  done boolean not null, words int not null, primary key (job_no, position));
insert into translation_job select n, 'client ' || n % 90, date '2025-01-01' + n % 300 from generate_series(1, 30000) n;
insert into segment select 1 + n % 30000, n / 30000, (array['sv', 'da', 'nb', 'sv', 'is'])[1 + n % 5], n % 3 = 0, 4 +
  n % 20
  from generate_series(0, 44999) n;
analyze translation_job;
analyze segment;
create materialized view open_segment as select job_no, position, language, words from segment where not done;
"""

_NEW_DAY: Final = """
create table bicycle (bicycle_no int primary key, frame text not null, bought_on date not null);
create table ride (ride_id bigserial primary key, bicycle_no int not null references bicycle, started_on date not null,
  minutes int not null);
insert into bicycle select n, 'frame ' || n % 12, date '2021-04-01' + n % 900 from generate_series(1, 9000) n;
insert into ride (bicycle_no, started_on, minutes)
  select 1 + n * 7 % 9000, date '2025-03-01' + n / 300, 3 + n % 50 from generate_series(0, 27599) n;
analyze bicycle;
analyze ride;
insert into ride (bicycle_no, started_on, minutes)
  select 1 + n * 11 % 9000, date '2025-06-05', 4 + n % 40 from generate_series(1, 9000) n;
"""

_RETURNED_LOANS: Final = """
create type loan_state as enum ('requested', 'agreed', 'out', 'returned');
create table lender (lender_id int primary key, town text not null);
create table loan (loan_id int primary key, lender_id int not null references lender, state loan_state not null,
  insured numeric(10,2) not null);
insert into lender select n, 'town ' || n % 60 from generate_series(1, 12000) n;
insert into loan select n, 1 + n * 13 % 12000, case when n % 50 = 0 then 'agreed' else 'out' end::loan_state, 100 + n
  % 900
  from generate_series(1, 24000) n;
analyze lender;
analyze loan;
update loan set state = 'returned' where state = 'out' and loan_id % 10 <> 3;
"""

_PURGED_MESSAGES: Final = """
create table kiosk (kiosk_id int primary key, street text not null);
create table kiosk_message (kiosk_id int not null references kiosk, sent_at timestamp not null, severity int not null);
create index on kiosk_message (kiosk_id);
insert into kiosk select n, 'street ' || n from generate_series(1, 15000) n;
insert into kiosk_message select 1 + n % 15000, timestamp '2024-01-01' + n * interval '11 minutes', n % 5
  from generate_series(1, 45000) n;
analyze kiosk;
analyze kiosk_message;
delete from kiosk_message where sent_at < timestamp '2024-12-07';
"""

_RIDES_BY_MONTH: Final = """
create table fleet (fleet_no int primary key, workshop text not null);
create table trip (fleet_no int not null, month date not null, metres int not null) partition by range (month);
create table trip_january partition of trip for values from ('2025-01-01') to ('2025-02-01');
create table trip_february partition of trip for values from ('2025-02-01') to ('2025-03-01');
create table trip_march partition of trip for values from ('2025-03-01') to ('2025-04-01');
insert into fleet select n, 'workshop ' || n % 8 from generate_series(1, 12000) n;
insert into trip select 1 + n * 7 % 12000, date '2025-01-05' + (n % 3) * 30, 200 + n % 4000
  from generate_series(1, 36000) n;
analyze fleet;
analyze trip_january;
analyze trip_february;
analyze trip_march;
"""

_DELIVERIES_BY_DEPOT: Final = """
create table delivery (depot text not null, crop text not null, crates int not null) partition by list (depot);
create table delivery_east partition of delivery for values in ('east');
create table delivery_west partition of delivery for values in ('west');
create table price_note (crop text not null, noted_on date not null, cents int not null);
create table crop_member (member_id int primary key, favourite text not null);
insert into delivery select case when n % 2 = 0 then 'east' else 'west' end, 'crop ' || n / 2 % 8, 1 + n % 30
  from generate_series(1, 16000) n;
insert into price_note select 'crop ' || n % 8, date '2025-05-01' + n / 8, 90 + n % 50 from generate_series(0, 79) n;
insert into crop_member select n, 'crop ' || n % 8 from generate_series(1, 500) n;
analyze delivery_east;
analyze delivery_west;
analyze price_note;
analyze crop_member;
"""

FAULTS: Final = (
    Fault(
        name="gate scans loaded without ANALYZE",
        code="never_analyzed",
        source="PostgreSQL documentation, 'Populating a Database', section 'Run ANALYZE Afterwards'",
        schema=_BOX_OFFICE,
        query="select sum(t.price) from gate_scan g join ticket t on t.barcode = g.barcode where g.gate = 'north'",
        place=at("g"),
        cure=("analyze gate_scan",),
        others={
            "shows by hall": "select hall, count(*) from show group by hall",
            "one ticket": "select s.starts_at, t.price from ticket t"
            " join show s using (show_no) where t.barcode = 712345",
            "scans of an hour": "select count(*) from gate_scan where scanned_at < '2025-09-02 19:00+00'",
        },
    ),
    Fault(
        name="a column added after the last ANALYZE",
        code="never_analyzed",
        also_right=frozenset({"stale_statistics"}),
        source=f"{_DAY_TO_DAY}; common practice, no source, for the added column",
        schema=_SEED_VAULTS,
        query="select avg(g.sprouted) from accession a join germination g on g.accession_id = a.accession_id"
        " where a.vault = 'cold'",
        place=at("a"),
        cure=("analyze accession",),
        others={
            "one accession": "select * from germination where accession_id = 4711",
            "heavy ones": "select count(*) from accession where weight_g > 90",
        },
    ),
    Fault(
        name="a materialized view that was never analyzed",
        code="never_analyzed",
        source=f"PostgreSQL documentation, ANALYZE, and {_DAY_TO_DAY}; common practice, no source, for the view",
        schema=_OPEN_SEGMENTS,
        query="select j.client, sum(o.words) from open_segment o join translation_job j on j.job_no = o.job_no"
        " where o.language = 'sv' group by j.client",
        place=at("o"),
        cure=("analyze open_segment",),
        others={
            "jobs due": "select count(*) from translation_job where due = '2025-04-04'",
            "segments of a job": "select * from segment where job_no = 99",
            "open words": "select sum(words) from open_segment",
        },
    ),
    Fault(
        name="a day of rides after the histogram's end",
        code="stale_statistics",
        source="https://www.postgresql.org/docs/current/row-estimation-examples.html: a value outside of the histogram",
        schema=_NEW_DAY,
        query="select b.frame, count(*) from ride r join bicycle b on b.bicycle_no = r.bicycle_no"
        " where r.started_on >= date '2025-06-04' group by b.frame",
        place=at("r"),
        cure=("analyze ride",),
        others={
            "a week in March": "select avg(minutes) from ride where started_on between '2025-03-03' and '2025-03-09'",
            "long rides": "select count(*) from ride where minutes > 48",
            "frames": "select frame, min(bought_on) from bicycle group by frame",
        },
    ),
    Fault(
        name="a state that nearly all rows took on in one update",
        code="stale_statistics",
        source=f"{_DAY_TO_DAY}: statistics may go stale with the distribution of values",
        schema=_RETURNED_LOANS,
        query="select l.town, sum(x.insured) from loan x join lender l on l.lender_id = x.lender_id"
        " where x.state = 'returned' group by l.town",
        place=at("x"),
        cure=("analyze loan",),
        others={
            "agreed": "select count(*) from loan where state = 'agreed'",
            "a lender's loans": "select * from loan where lender_id = 77",
        },
    ),
    Fault(
        name="most messages deleted since the last ANALYZE",
        code="stale_statistics",
        source="PostgreSQL sources, plancat.c, estimate_rel_size: the old density times the file's present size",
        schema=_PURGED_MESSAGES,
        query="select k.street, m.sent_at from kiosk_message m join kiosk k on k.kiosk_id = m.kiosk_id",
        place=at("m"),
        cure=("analyze kiosk_message",),
        others={
            "a kiosk": "select * from kiosk_message where kiosk_id = 123",
            "streets": "select count(*) from kiosk where street like 'street 12%'",
        },
    ),
    Fault(
        name="groups over months of which only the months are analyzed",
        code="partition_parent_not_analyzed",
        source=f"{_DAY_TO_DAY}: partitioned tables are not processed by autovacuum",
        schema=_RIDES_BY_MONTH,
        query="select f.workshop, sum(t.far) from (select trip.fleet_no, sum(trip.metres) far from trip group by"
        " trip.fleet_no) t join fleet f on f.fleet_no = t.fleet_no group by f.workshop",
        place=at("trip", grouping=True),
        cure=("analyze trip",),
        others={
            "february": "select count(*) from trip where month = '2025-02-04'",
            "one bicycle": "select * from fleet where fleet_no = 5000",
        },
    ),
    Fault(
        name="a join on a repeated code of a table in two lists",
        code="partition_parent_not_analyzed",
        source="PostgreSQL documentation, ANALYZE: for partitioned tables both kinds of statistics are needed",
        schema=_DELIVERIES_BY_DEPOT,
        query="select p.noted_on, sum(d.crates * p.cents) from delivery d join price_note p on p.crop = d.crop"
        " group by p.noted_on",
        place=at("d", "p"),
        cure=("analyze delivery",),
        others={
            "east": "select crop, sum(crates) from delivery where depot = 'east' group by crop",
            "favourites": "select favourite, count(*) from crop_member group by favourite",
            "dear": "select * from price_note where cents > 130",
        },
    ),
)
