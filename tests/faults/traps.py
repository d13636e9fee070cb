"""Traps: plans whose numbers look wrong and are not, or whose error costs nothing."""

from __future__ import annotations

from .fault import Fault, guests

_TABLES = (
    guests(20_000)
    + """
    create table bookings(id int primary key, guest_id int, nights int, status text);
    insert into bookings select i, (i::bigint * 7919) % 20000 + 1, i % 9,
      case when i % 20 = 0 then 'open' else 'done' end from generate_series(1, 60000) i;
    create index bookings_guest on bookings(guest_id);
    analyze;
    """
)

TRAPS = tuple(
    Fault(name=name, cause=None, setup=setup, query=query, settings=settings)
    for name, setup, query, settings in (
        (
            "limit_stops_the_scan",
            _TABLES,
            "select g.name, b.nights from guests g join bookings b on b.guest_id = g.id limit 20",
            ("set max_parallel_workers_per_gather = 0",),
        ),
        (
            "semi_join_stops_at_the_first_match",
            _TABLES,
            "select count(*) from guests g where g.id < 400 "
            "and exists (select from bookings b where b.guest_id = g.id)",
            ("set max_parallel_workers_per_gather = 0", "set enable_hashjoin = off", "set enable_mergejoin = off"),
        ),
        (
            "merge_join_leaves_the_tail",
            _TABLES,
            "select count(*) from bookings a join (select id from guests where id < 300) g on g.id = a.id",
            ("set max_parallel_workers_per_gather = 0", "set enable_hashjoin = off", "set enable_nestloop = off"),
        ),
        (
            "merge_join_reads_equal_keys_again",
            _TABLES,
            "select count(*) from bookings a join bookings b on a.nights = b.nights and a.id = b.id",
            ("set max_parallel_workers_per_gather = 0", "set enable_hashjoin = off", "set enable_nestloop = off"),
        ),
        (
            "never_executed_side",
            _TABLES,
            "select count(*) from guests g join bookings b on b.guest_id = g.id where g.name = 'nobody'",
            ("set max_parallel_workers_per_gather = 0",),
        ),
        (
            "parallel_averages",
            _TABLES,
            "select count(*) from guests g join bookings b on b.guest_id = g.id where b.nights < 8",
            (
                "set max_parallel_workers_per_gather = 2",
                "set min_parallel_table_scan_size = 0",
                "set parallel_setup_cost = 0",
                "set parallel_tuple_cost = 0",
            ),
        ),
        (
            "half_of_the_table_comes",
            _TABLES,
            "select count(*), max(b.status) from guests g join bookings b on b.guest_id = g.id where g.id <= 10000",
            ("set max_parallel_workers_per_gather = 0",),
        ),
        (
            "bitmaps_are_not_counted",
            _TABLES + "create index on bookings(nights); create index on bookings(status);",
            "select count(*) from bookings b join guests g on g.id = b.guest_id "
            "where (b.nights = 3 or b.nights = 5) and b.status = 'open'",
            ("set max_parallel_workers_per_gather = 0", "set enable_seqscan = off"),
        ),
        (
            "lookup_cache_hits",
            _TABLES,
            "select count(*), max(g.pad) from (select guest_id % 50 + 1 as k from bookings limit 20000) b "
            "join guests g on g.id = b.k",
            ("set max_parallel_workers_per_gather = 0", "set enable_hashjoin = off", "set enable_mergejoin = off"),
        ),
        (
            "clamped_inner_estimate",
            _TABLES,
            "select count(*) from (select * from guests where id <= 3000) g join bookings b on b.guest_id = g.id "
            "and b.nights = 4",
            ("set max_parallel_workers_per_gather = 0", "set enable_hashjoin = off", "set enable_mergejoin = off"),
        ),
        (
            "everything_as_expected",
            _TABLES,
            "select count(*) from guests g join bookings b on b.guest_id = g.id",
            ("set max_parallel_workers_per_gather = 0",),
        ),
    )
)
