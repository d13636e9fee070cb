"""Faults of joins, functions, prepared statements and indexes."""

from __future__ import annotations

from .fault import Fault, guests


def _repeating(left: str, right: str, *, common: tuple[int, int, int], lone: tuple[int, int], once: int) -> str:
    """Two tables whose keys repeat on both sides, the right list of common values being full of values of its own.

    `common`: values in both, rows of each left and right; `lone`: values on the right alone, rows of each.
    """
    values, on_left, on_right = common
    alone, rows = lone
    return f"""
        create table {left}(id int, code int, guest_id int);
        insert into {left} select n, code, n % 5000 + 1 from (select row_number() over () as n, code from (
          select j as code from generate_series(1, {values}) j, generate_series(1, {on_left})
          union all select 100000 + i from generate_series(1, {once}) i) made) numbered;
        create table {right}(id int, code int, mark int);
        insert into {right} select n, code, n % 11 from (select row_number() over () as n, code from (
          select j as code from generate_series(1, {values}) j, generate_series(1, {on_right})
          union all select 5000 + j from generate_series(1, {alone}) j, generate_series(1, {rows})
          union all select 200000 + i from generate_series(1, {once}) i) made) numbered;
        analyze;
        """


JOIN_FAULTS = (
    Fault(
        name="composite_key",
        cause="multi_column_join_key",
        setup="""
        create table bunks(hut int, code int, kind text, primary key (hut, code));
        insert into bunks select h, h * 100 + b, 'k' || b % 3 from generate_series(1, 400) h, generate_series(1, 50) b;
        create table bookings(id int, hut int, code int, guest_id int);
        insert into bookings select i, i % 400 + 1, (i % 400 + 1) * 100 + i % 50 + 1, i % 5000 + 1
          from generate_series(1, 80000) i;
        analyze;
        """
        + guests(5_000),
        query="select count(*), max(g.pad) from bookings b join bunks u on u.hut = b.hut and u.code = b.code "
        "join guests g on g.id = b.guest_id",
    ),
    Fault(
        name="composite_key_quoted",
        cause="multi_column_join_key",
        setup="""
        create table "Supply Lines"("Depot" int, "Shelf" int, item text, unique ("Depot", "Shelf"));
        alter table "Supply Lines" alter column "Depot" set not null, alter column "Shelf" set not null;
        insert into "Supply Lines" select d, d * 10 + s, 'i' || s
          from generate_series(1, 1500) d, generate_series(1, 8) s;
        create table pickings(id int, depot int, shelf int, guest_id int);
        insert into pickings select i, i % 1500 + 1, (i % 1500 + 1) * 10 + i % 8 + 1, i % 5000 + 1
          from generate_series(1, 60000) i;
        analyze;
        """
        + guests(5_000),
        query='select count(*), max(g.pad) from pickings p join "Supply Lines" s on s."Depot" = p.depot '
        'and s."Shelf" = p.shelf join guests g on g.id = p.guest_id',
    ),
    Fault(
        name="hot_key_by_filter",
        cause="cross_table_correlation",
        setup="""
        create table agencies(id int primary key, name text);
        insert into agencies select i, 'agency ' || i from generate_series(1, 20000) i;
        create table bookings(id int, agency_id int, guest_id int);
        insert into bookings select i, case when i % 4 = 0 then 1 else i % 20000 + 1 end, i % 20000 + 1
          from generate_series(1, 160000) i;
        create index on bookings(agency_id);
        analyze;
        """
        + guests(20_000),
        query="select count(*), max(g.pad) from agencies a join bookings b on b.agency_id = a.id "
        "join guests g on g.id = b.guest_id where a.name = 'agency 1'",
        curable=False,
    ),
    Fault(
        name="hot_key_by_filter_hashed",
        cause="cross_table_correlation",
        setup="""
        create table channels(id int primary key, name text, note text);
        insert into channels select i, 'channel ' || i, repeat('n', 20) from generate_series(1, 3000) i;
        create table visits(id int, channel_id int, guest_id int);
        insert into visits select i, case when i % 3 = 0 then 2 else i % 3000 + 1 end, i % 20000 + 1
          from generate_series(1, 90000) i;
        analyze;
        """
        + guests(20_000),
        query="select count(*), max(g.pad) from channels c join visits v on v.channel_id = c.id "
        "join guests g on g.id = v.guest_id where c.name = 'channel 2'",
        curable=False,
    ),
    Fault(
        name="function_many_rows",
        cause="function_row_default",
        setup=guests(40_000)
        + """
        create function due_guests(how_many int) returns setof int language plpgsql rows 20 as
          $$ begin return query select i from generate_series(1, how_many) i; end $$;
        """,
        query="select count(*), max(g.pad) from due_guests(30000) d join guests g on g.id = d",
    ),
    Fault(
        name="function_few_rows",
        cause="function_row_default",
        setup=guests(20_000)
        + """
        create schema if not exists "Desk";
        create or replace function "Desk"."Today's Arrivals"() returns table(guest_id int) language plpgsql as
          $$ begin return query select i from generate_series(1, 4) i; end $$;
        """,
        query='select count(*), max(g.pad) from "Desk"."Today\'s Arrivals"() d join guests g on g.id = d.guest_id',
    ),
    Fault(
        name="generic_frequent_value",
        cause="generic_plan",
        setup=guests(20_000)
        + """
        create table bookings(id int, guest_id int, status text);
        insert into bookings select i, i % 20000 + 1, case when i % 2 = 0 then 'done' else 'ref ' || i end
          from generate_series(1, 80000) i;
        analyze bookings;
        """,
        before=(
            "set plan_cache_mode = force_generic_plan",
            "prepare by_status(text) as select count(*), max(g.pad) from bookings b "
            "join guests g on g.id = b.guest_id where b.status = $1",
        ),
        query="execute by_status('done')",
    ),
    Fault(
        name="generic_range",
        cause="generic_plan",
        setup=guests(200_000)
        + """
        create table reports(id int, guest_id int, day date);
        insert into reports select i, i % 200000 + 1, date '2025-01-01' + i / 200 from generate_series(1, 60000) i;
        analyze reports;
        """,
        before=(
            "set plan_cache_mode = force_generic_plan",
            "prepare since(date) as select count(*), max(g.pad) from reports r "
            "join guests g on g.id = r.guest_id where r.day >= $1",
        ),
        query="execute since('2025-10-27')",
    ),
    Fault(
        name="no_index_on_inner_key",
        cause="missing_join_index",
        setup="""
        create table complaints(id int, booking_id int, text text);
        insert into complaints select i, (i::bigint * 7919) % 400000 + 1, repeat('c', 60)
          from generate_series(1, 400000) i;
        """
        + guests(2_000)
        + "analyze;",
        query="select g.name, c.text from guests g join complaints c on c.booking_id = g.id "
        "where g.id between 10 and 16",
    ),
    Fault(
        name="no_index_on_inner_key_two_columns",
        cause="missing_join_index",
        setup="""
        create schema if not exists "Lost & Found";
        drop table if exists "Lost & Found"."Item";
        create table "Lost & Found"."Item"(hut int, day date, "What" text);
        insert into "Lost & Found"."Item" select i % 500, date '2020-01-01' + i / 500, repeat('w', 50)
          from generate_series(1, 300000) i;
        create table visits(id int primary key, hut int, day date);
        insert into visits select i, i % 500, date '2020-01-01' + i / 100 from generate_series(1, 20000) i;
        analyze;
        """,
        query='select v.id, i."What" from visits v join "Lost & Found"."Item" i on i.hut = v.hut and i.day = v.day '
        "where v.id between 100 and 103",
    ),
    Fault(
        name="lured_by_low_cardinality_index",
        cause="luring_index",
        also=("cross_table_correlation",),
        setup="""
        create table channels(id int primary key, name text);
        insert into channels select i, 'channel ' || i from generate_series(1, 4000) i;
        create table bookings(id int, channel_id int, pad text);
        insert into bookings select i, case when i % 10 < 9 then i % 3 + 1 else i % 4000 + 1 end, repeat('b', 80)
          from generate_series(1, 150000) i;
        create index bookings_channel on bookings(channel_id);
        analyze;
        """,
        query="select count(*), max(b.pad) from channels c join bookings b on b.channel_id = c.id "
        "where c.name in ('channel 1', 'channel 2', 'channel 3')",
    ),
    Fault(
        name="lured_behind_two_tables",
        cause="luring_index",
        also=("cross_table_correlation", "unexplained"),
        setup="""
        create table planes(id int primary key, maker text);
        insert into planes select i, 'maker ' || i % 40 from generate_series(1, 4000) i;
        create table hops(id int, plane_id int, carrier text, crew int);
        insert into hops select i, i % 4000 + 1, 'carrier ' || (i % 4000 + 1) % 40, i % 6000
          from generate_series(1, 400000) i;
        create table duties(crew int, day int);
        insert into duties select i % 6000, i from generate_series(1, 60000) i;
        create index duties_crew on duties(crew);
        analyze;
        """,
        query="select count(*), max(d.day) from planes p join hops h on h.plane_id = p.id "
        "join duties d on d.crew = h.crew where p.maker = 'maker 3' and h.carrier = 'carrier 3'",
    ),
    Fault(
        name="keys_beside_both_lists",
        cause="join_key_skew",
        setup=_repeating("sightings", "notes", common=(130, 100, 60), lone=(110, 80), once=13000) + guests(5_000),
        query="select count(*), max(g.pad) from sightings s join notes n on n.code = s.code "
        "join guests g on g.id = s.guest_id",
    ),
    Fault(
        name="keys_beside_both_lists_filtered",
        cause="join_key_skew",
        setup=_repeating("loans", "returns", common=(150, 120, 70), lone=(105, 95), once=15000) + guests(5_000),
        query="select count(*), max(g.pad) from loans s join returns n on n.code = s.code "
        "join guests g on g.id = s.guest_id where n.mark < 6",
    ),
    Fault(
        name="two_tables_together",
        cause="cross_table_correlation",
        also=("unexplained",),
        setup="""
        create table planes(id int primary key, maker text);
        insert into planes select i, 'maker ' || i % 20 from generate_series(1, 4000) i;
        create table hops(id int, plane_id int, carrier text);
        insert into hops select i, i % 4000 + 1, 'carrier ' || (i % 4000 + 1) % 20 from generate_series(1, 120000) i;
        analyze;
        """,
        query="select count(*) from planes p join hops h on h.plane_id = p.id "
        "where p.maker = 'maker 3' and h.carrier = 'carrier 3'",
        curable=False,
    ),
    Fault(
        name="counts_inside_a_recursion",
        cause="unexplained",
        setup="""
        create table trails(trail int primary key, branches_from int);
        insert into trails select i, i / 2 from generate_series(1, 16000) i;
        create index on trails(branches_from);
        create table signs(trail int, text text);
        insert into signs select i % 16000 + 1, repeat('s', 60) from generate_series(1, 60000) i;
        analyze;
        """,
        query="with recursive below as (select trail from trails where trail = 1 union all "
        "select t.trail from below b join trails t on t.branches_from = b.trail) "
        "select count(*), max(s.text) from below b join signs s on s.trail = b.trail",
        curable=False,
    ),
    Fault(
        name="two_tables_exclude_each_other",
        cause="cross_table_correlation",
        also=("unexplained",),
        setup="""
        create table planes(id int primary key, maker text);
        insert into planes select i, 'maker ' || i % 10 from generate_series(1, 4000) i;
        create table hops(id int, plane_id int, carrier text);
        insert into hops select i, i % 4000 + 1, 'carrier ' || (i % 4000 + 1) % 10 from generate_series(1, 120000) i;
        analyze;
        """,
        query="select count(*) from planes p join hops h on h.plane_id = p.id "
        "where p.maker = 'maker 3' and h.carrier = 'carrier 4'",
        curable=False,
    ),
    Fault(
        name="either_pair_of_two_tables",
        cause="unexplained",
        setup="""
        create table planes(id int primary key, maker text);
        insert into planes select i, 'maker ' || i % 60 from generate_series(1, 6000) i;
        create table hops(id int, plane_id int, carrier text);
        insert into hops select i, i % 6000 + 1, 'carrier ' || (i % 6000 + 1) % 60 from generate_series(1, 120000) i;
        analyze;
        """,
        query="select count(*) from planes p join hops h on h.plane_id = p.id "
        "where (p.maker = 'maker 3' and h.carrier = 'carrier 3') or (p.maker = 'maker 4' and h.carrier = 'carrier 4')",
        curable=False,
    ),
)
