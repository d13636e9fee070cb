"""Faults in the statistics of one table: old, absent, too short, hidden."""

from __future__ import annotations

from .fault import Fault, guests

STATISTICS_FAULTS = (
    Fault(
        name="stale_new_status",
        cause="stale_statistics",
        setup=guests(20_000)
        + """
        create table bookings(id int, guest_id int, status text, pad text);
        insert into bookings select i, i % 20000 + 1, 'done', repeat('b', 30) from generate_series(1, 100000) i;
        analyze bookings;
        insert into bookings select i, i % 20000 + 1, 'waiting', repeat('b', 30) from generate_series(1, 30000) i;
        """,
        query="select count(*) from bookings b join guests g on g.id = b.guest_id "
        "where b.status = 'waiting' and g.pad > 'a'",
    ),
    Fault(
        name="stale_newest_dates",
        cause="stale_statistics",
        setup=guests(20_000)
        + """
        create table trail_reports(id int, guest_id int, reported_on date, grade int);
        insert into trail_reports select i, i % 20000 + 1, date '2024-01-01' + i / 300, i % 5
          from generate_series(1, 90000) i;
        analyze trail_reports;
        insert into trail_reports select i, i % 20000 + 1, date '2024-11-01' + i / 300, i % 5
          from generate_series(1, 18000) i;
        """,
        query="select count(*), max(g.pad) from trail_reports t join guests g on g.id = t.guest_id "
        "where t.reported_on >= date '2024-11-01'",
    ),
    Fault(
        name="stale_rewritten",
        cause="stale_statistics",
        setup=guests(50_000)
        + """
        create table flights(id int, guest_id int, state text);
        insert into flights select i, i, case when i % 1000 = 0 then 'grounded' else 'planned' end
          from generate_series(1, 50000) i;
        analyze flights;
        update flights set state = case state when 'planned' then 'grounded' else 'planned' end;
        """,
        query="select count(*), max(g.pad) from flights f join guests g on g.id = f.guest_id "
        "where f.state = 'grounded'",
    ),
    Fault(
        name="stale_after_a_purge",
        cause="stale_statistics",
        setup=guests(150_000)
        + """
        create table requests(id int primary key, guest_id int, state text);
        insert into requests select i, i % 150000 + 1, case when i % 3 = 0 then 'open' else 'done' end
          from generate_series(1, 120000) i;
        analyze requests;
        delete from requests where state = 'open' and id % 400 <> 0;
        """,
        query="select count(*), max(g.pad) from requests r join guests g on g.id = r.guest_id where r.state = 'open'",
    ),
    Fault(
        name="stale_two_columns",
        cause="stale_statistics",
        setup=guests(20_000)
        + """
        create table bookings(id int, guest_id int, status text, season text);
        insert into bookings select i, i % 20000 + 1, 'done', 'summer ' || i % 20 from generate_series(1, 80000) i;
        analyze bookings;
        insert into bookings select i, i % 20000 + 1, 'open', 'winter' from generate_series(1, 20000) i;
        """,
        query="select count(*), max(g.pad) from bookings b join guests g on g.id = b.guest_id "
        "where b.status = 'open' and b.season = 'winter'",
    ),
    Fault(
        name="never_analyzed_table",
        cause="never_analyzed",
        setup=guests(20_000)
        + """
        create table lost_property(id int, guest_id int, colour text, found_on date);
        insert into lost_property select i, i % 20000 + 1, case when i % 5 < 3 then 'red' else 'blue' end,
          date '2025-01-01' + i % 300 from generate_series(1, 40000) i;
        """,
        query="select count(*), max(g.pad) from lost_property l join guests g on g.id = l.guest_id "
        "where l.colour = 'red'",
    ),
    Fault(
        name="never_analyzed_temporary",
        cause="never_analyzed",
        setup=guests(30_000),
        before=(
            "create temporary table arrivals(id int, guest_id int, day date, hut text)",
            "insert into arrivals select i, i % 30000 + 1, date '2025-07-01' + i % 2, 'hut ' || i % 3 "
            "from generate_series(1, 60000) i",
        ),
        query="select count(*), max(g.pad) from arrivals a join guests g on g.id = a.guest_id "
        "where a.day = date '2025-07-02' and a.hut = 'hut 1'",
    ),
    Fault(
        name="never_analyzed_column",
        cause="never_analyzed",
        setup=guests(100_000)
        + """
        create table bookings(id int, guest_id int, pad text);
        insert into bookings select i, i % 100000 + 1, repeat('b', 30) from generate_series(1, 60000) i;
        analyze bookings;
        alter table bookings add column channel text not null default 'desk';
        """,
        query="select count(*), max(g.pad) from bookings b join guests g on g.id = b.guest_id where b.channel = 'desk'",
    ),
    Fault(
        name="partition_parent_groups",
        cause="partition_parent_not_analyzed",
        setup="""
        create table sensors(id int primary key, model text, pad text);
        insert into sensors select i, 'm' || i % 12, repeat('s', 60) from generate_series(1, 100000) i;
        create table weather_log(sensor_id int, logged date, temperature int) partition by range (logged);
        create table weather_log_1 partition of weather_log for values from ('2025-01-01') to ('2025-07-01');
        create table weather_log_2 partition of weather_log for values from ('2025-07-01') to ('2026-01-01');
        insert into weather_log select i % 20000 + 1, date '2025-01-01' + i % 360, i % 60
          from generate_series(1, 120000) i;
        analyze sensors; analyze weather_log_1; analyze weather_log_2;
        """,
        query="select s.model, count(*), max(s.pad) from (select sensor_id, max(temperature) t from weather_log "
        "group by sensor_id having max(temperature) is not null) w join sensors s on s.id = w.sensor_id "
        "group by s.model",
    ),
    Fault(
        name="partition_parent_join",
        cause="partition_parent_not_analyzed",
        setup="""
        create table weather_log(sensor_id int, day int, temperature int) partition by range (day);
        create table "weather_log.1" partition of weather_log for values from (0) to (50);
        create table "weather_log.2" partition of weather_log for values from (50) to (100);
        insert into weather_log select i % 20000 + 1, i % 100, i % 60 from generate_series(1, 100000) i;
        create table repairs(sensor_id int, day int, cost int) partition by range (day);
        create table repairs_1 partition of repairs for values from (0) to (50);
        create table repairs_2 partition of repairs for values from (50) to (100);
        insert into repairs select i * 4, i % 100, i from generate_series(1, 5000) i;
        create table huts(id int primary key, pad text);
        insert into huts select i, repeat('h', 20) from generate_series(1, 60) i;
        analyze huts; analyze "weather_log.1"; analyze "weather_log.2"; analyze repairs_1; analyze repairs_2;
        """,
        query="select count(*), max(h.pad) from weather_log w join repairs r on r.sensor_id = w.sensor_id "
        "join huts h on h.id = w.temperature",
    ),
    Fault(
        name="target_lowered",
        cause="column_target_too_low",
        setup=guests(20_000)
        + """
        begin;
        create table bookings(id int, guest_id int, partner text);
        alter table bookings alter column partner set statistics 1;
        insert into bookings select i, i % 20000 + 1, case when i % 10 < 4 then 'P1' when i % 10 < 6 then 'P2'
          else 'P' || i end from generate_series(1, 100000) i;
        analyze bookings;
        commit;
        """,
        query="select count(*), max(g.pad) from bookings b join guests g on g.id = b.guest_id where b.partner = 'P2'",
    ),
    Fault(
        name="target_default_short",
        cause="column_target_too_low",
        setup=guests(100_000)
        + """
        create table "Tour Starts"(id int, guest_id int, "Tour" text);
        insert into "Tour Starts" select i, i % 100000 + 1,
          case when i % 4 < 3 then 'tour ' || (i / 4) % 120 else 'private ' || i end
          from generate_series(1, 400000) i;
        create index on "Tour Starts"("Tour");
        analyze "Tour Starts";
        """,
        # One of 120 equally frequent tours that a list of 100 has left out.
        literal="select 'tour ' || n from generate_series(0, 119) n where not 'tour ' || n = any (select "
        "unnest(most_common_vals::text::text[]) from pg_stats where tablename = 'Tour Starts' and attname = 'Tour' "
        "and schemaname = current_schema()) order by n limit 1",
        query='select count(*), max(g.pad) from "Tour Starts" t join guests g on g.id = t.guest_id '
        """where t."Tour" = '{literal}'""",
    ),
    Fault(
        name="hidden_by_row_security",
        cause="statistics_not_usable",
        setup=guests(20_000)
        + """
        create table guest_notes(id int, guest_id int, office text, note text);
        insert into guest_notes select i, i % 20000 + 1, 'desk', 'note ' || i % 7 from generate_series(1, 40000) i;
        analyze guest_notes;
        alter table guest_notes enable row level security;
        create policy own_office on guest_notes using (office = 'desk');
        do $$ begin
          if not exists (select from pg_roles where rolname = 'rr_desk') then create role rr_desk; end if;
        end $$;
        grant select on guest_notes, guests to rr_desk;
        """,
        before=("set role rr_desk",),
        query="select count(*), max(g.pad) from guest_notes n join guests g on g.id = n.guest_id "
        "where n.note like 'note%' and n.note like '%ote%' and n.note like '%te%'",
        curable=False,
    ),
    Fault(
        name="hidden_by_row_security_operator",
        cause="statistics_not_usable",
        setup=guests(20_000)
        + """
        create table parcels(id int, guest_id int, office int, kind text);
        insert into parcels select i, i % 20000 + 1, 1, 'box ' || i % 3 from generate_series(1, 40000) i;
        analyze parcels;
        alter table parcels enable row level security;
        create policy own_office on parcels using (office = 1);
        do $$ begin
          if not exists (select from pg_roles where rolname = 'rr_desk') then create role rr_desk; end if;
        end $$;
        grant select on parcels, guests to rr_desk;
        """,
        before=("set role rr_desk",),
        query="select count(*), max(g.pad) from parcels p join guests g on g.id = p.guest_id where p.kind ~ 'box [01]'",
        curable=False,
    ),
)
