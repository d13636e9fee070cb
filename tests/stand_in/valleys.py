"""A small database for what changes do to a list of queries: huts, guests, their stays, and reports by year.

Invented.  No table has more rows than ANALYZE reads at the default target (300 times 100): statistics stay the same.
"""

from __future__ import annotations

SCHEMA = """
create table huts (id int primary key, name text not null, valley int not null);
insert into huts select i, 'Hut ' || i, i % 40 from generate_series(1, 2000) i;
create table guests (id int primary key, land text not null, region text not null, mail text);
insert into guests select i, 'land ' || i % 20, 'region ' || i % 20, case when i % 3 > 0 then 'mail' || i end
  from generate_series(1, 20000) i;
create table stays (id int primary key, guest_id int not null, hut_id int not null, nights int not null, paid boolean);
insert into stays select i, 1 + (i::bigint * 7919) % 20000, 1 + i % 2000, i % 9, i % 50 > 0
  from generate_series(1, 30000) i;
create index stays_hut on stays (hut_id);
create table reports (hut_id int not null, year int not null, words int) partition by range (year);
create table reports_old partition of reports for values from (2000) to (2020);
create table reports_new partition of reports for values from (2020) to (2030);
insert into reports select i % 2000, 2000 + i % 30, i % 700 from generate_series(1, 30000) i;
create table seasons (hut_id int not null, year int not null, price int, primary key (hut_id, year));
insert into seasons select i, 2000 + i / 200, i % 90 from generate_series(0, 1999) i;
create table bookings (hut_id int not null, year int not null);
insert into bookings select i % 2000, 2000 + i % 2000 / 200 from generate_series(1, 20000) i;
create function nearby(int) returns setof int language plpgsql stable as 'begin return next $1; end';
vacuum analyze;
"""

QUERIES = {
    "visits": "select s.id from guests g join stays s on s.guest_id = g.id where g.id between 100 and 130",
    "one guest": "select count(*) from stays where guest_id = 77",
    "lands": "select s.id from guests g join stays s on s.guest_id = g.id"
    " where g.land = 'land 3' and g.region = 'region 3'",
    "valleys": "select h.valley, sum(s.nights) from huts h join stays s on s.hut_id = h.id group by h.valley",
    "one valley": "select s.* from huts h join stays s on s.hut_id = h.id where h.valley = 7",
    "unpaid": "select * from stays where not paid and guest_id < 1000",
    "mail": "select * from guests where mail = 'mail77'",
    "no mail": "select count(*) from guests where mail is null",
    "words": "select * from reports r join huts h on h.id = r.hut_id where r.words = 17",
    "newest": "select max(guest_id) from stays",
    "nearby": "select s.* from nearby(3) n(id) join stays s on s.hut_id = n.id",
    "one hut": "select avg(nights) from stays where hut_id = 5",
    "booked": "select b.* from bookings b join seasons s on s.hut_id = b.hut_id and s.year = b.year"
    " join huts h on h.id = b.hut_id",
    "kinds": "select guest_id, nights, count(*) from stays group by guest_id, nights",
}

CHANGES: dict[str, tuple[str, ...]] = {
    "an index": ("create index stays_guest on stays (guest_id)",),
    "an index that includes": ("create index stays_guest on stays (guest_id) include (id)",),
    "an index of a part": ("create index concurrently stays_unpaid on stays (guest_id) where not paid",),
    "an index with nulls": ("create index guests_mail on guests (mail)",),
    "an index of two columns": ("create index guests_both on guests (land, region)",),
    "an index on partitions": ("create index reports_words on reports (words)",),
    "partition by partition": (
        "create index reports_words on only reports (words)",
        "create index reports_old_words on reports_old (words)",
        "alter index reports_words attach partition reports_old_words",
        "create index reports_new_words on reports_new (words)",
        "alter index reports_words attach partition reports_new_words",
    ),
    "an index less": ("drop index stays_hut",),
    "a foreign key": (
        "alter table bookings add constraint bookings_season foreign key (hut_id, year)"
        " references seasons (hut_id, year)",
    ),
    "rows of a function": ("alter function nearby(int) rows 3",),
}
"""What a remedy may be made of, as far as it needs no data."""
