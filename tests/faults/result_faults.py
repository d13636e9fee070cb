"""Faults of what no statistics describe: which rows find a partner, and what a query computes."""

from __future__ import annotations

from .fault import Fault, guests

RESULT_FAULTS = (
    Fault(
        name="guests_without_a_booking",
        cause="join_partner_share",
        setup="""
        create table bookings(id int, guest_id int);
        insert into bookings select i, i % 30000 * 2 from generate_series(1, 60000) i;
        create table letters(guest_id int, text text);
        insert into letters select i % 20000 + 1, repeat('l', 40) from generate_series(1, 60000) i;
        create index on letters(guest_id);
        analyze;
        """
        + guests(20_000),
        query="select count(*), max(l.text) from guests g join letters l on l.guest_id = g.id "
        "where not exists (select from bookings b where b.guest_id = g.id)",
        curable=False,
    ),
    Fault(
        name="few_of_many_keys_are_there",
        cause="join_partner_share",
        also=("join_key_skew",),
        setup="""
        create table sightings(id int primary key, ring int);
        insert into sightings select i, i % 30000 from generate_series(1, 60000) i;
        create table rings(ring int primary key, made int);
        insert into rings select i + 29000, i from generate_series(1, 40000) i;
        analyze;
        """,
        query="select count(*) from sightings s where s.ring in (select r.ring from rings r)",
        curable=False,
    ),
    Fault(
        name="groups_that_hardly_any_pass",
        cause="computed_result_filter",
        setup="""
        create table stays(id int, guest_id int);
        insert into stays select i, i % 20000 + 1 from generate_series(1, 80000) i;
        analyze stays;
        """
        + guests(20_000),
        query="select count(*), max(g.pad) from (select guest_id, count(*) as n from stays group by guest_id) s "
        "join guests g on g.id = s.guest_id where s.n > 40",
        curable=False,
    ),
    Fault(
        name="with_query_counted_then_compared",
        cause="computed_result_filter",
        setup="""
        create table stays(id int, guest_id int);
        insert into stays select i, i % 20000 + 1 from generate_series(1, 80000) i;
        analyze stays;
        """
        + guests(20_000),
        query="with s as materialized (select guest_id, count(*) as n from stays group by guest_id) "
        "select count(*), max(g.pad) from s join guests g on g.id = s.guest_id where s.n = 4",
        curable=False,
    ),
)
