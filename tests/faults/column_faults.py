"""Faults of columns together, of expressions, of distinct counts."""

from __future__ import annotations

from .fault import Fault, guests

COLUMN_FAULTS = (
    Fault(
        name="correlated_city_region",
        cause="correlated_columns_equality",
        setup=guests(60_000)
        + """
        create table stays(id int, guest_id int, city text, region text, land text);
        insert into stays select i, i % 60000 + 1, 'c' || i % 60, 'r' || (i % 60) / 3, 'l' || (i % 60) / 12
          from generate_series(1, 240000) i;
        analyze stays;
        """,
        query="select count(*), max(g.pad) from stays s join guests g on g.id = s.guest_id "
        "where s.city = 'c7' and s.region = 'r2' and s.land = 'l0'",
    ),
    Fault(
        name="correlated_rare_pair",
        cause="correlated_columns_equality",
        setup=guests(2_000)
        + """
        create schema if not exists "Flight Desk";
        drop table if exists "Flight Desk"."Order";
        create table "Flight Desk"."Order"(id int, guest_id int, "From" text, "To" text);
        insert into "Flight Desk"."Order" select i, i % 2000 + 1, 'pad ' || i % 500, 'hut ' || (i % 500) * 3
          from generate_series(1, 300000) i;
        analyze "Flight Desk"."Order";
        """,
        query="""select count(*), max(g.pad) from "Flight Desk"."Order" o join guests g on g.id = o.guest_id """
        """where o."From" = 'pad 7' and o."To" = 'hut 21'""",
    ),
    Fault(
        name="correlated_flag_and_null",
        cause="correlated_columns_equality",
        setup=guests(20_000)
        + """
        begin;
        create table bunks(id int, guest_id int, closed boolean, closed_on date, reason text);
        insert into bunks select i, i % 20000 + 1, i % 25 = 0, case when i % 25 = 0 then date '2025-05-01' end,
          case when i % 25 = 0 then 'repair' else 'none' end from generate_series(1, 100000) i;
        analyze bunks;
        commit;
        """,
        query="select count(*), max(g.pad) from bunks b join guests g on g.id = b.guest_id "
        "where b.closed and b.closed_on is not null and b.reason = 'repair'",
    ),
    Fault(
        name="correlated_ranges_few_values",
        cause="correlated_columns_range",
        setup=guests(100_000)
        + """
        create table tours(id int, guest_id int, difficulty int, altitude int);
        insert into tours select i, i % 100000 + 1, i % 80, (i % 80) * 10 from generate_series(1, 100000) i;
        analyze tours;
        """,
        query="select count(*), max(g.pad) from tours t join guests g on g.id = t.guest_id "
        "where t.difficulty < 4 and t.altitude < 40",
    ),
    Fault(
        name="correlated_range_and_equality",
        cause="correlated_columns_range",
        setup=guests(60_000)
        + """
        create table prices(id int, guest_id int, tier int, price int);
        insert into prices select i, i % 60000 + 1, i % 40, (i % 40) * 10 + i % 3 from generate_series(1, 240000) i;
        analyze prices;
        """,
        query="select count(*), max(g.pad) from prices p join guests g on g.id = p.guest_id "
        "where p.tier = 7 and p.price between 70 and 75",
    ),
    Fault(
        name="correlated_dates",
        cause="correlated_columns_range",
        setup=guests(20_000)
        + """
        create table supply_flights(id int, guest_id int, departed timestamp, landed timestamp);
        insert into supply_flights select i, i % 20000 + 1, timestamp '2025-01-01' + i * interval '5 min',
          timestamp '2025-01-01' + i * interval '5 min' + interval '40 min' from generate_series(1, 100000) i;
        analyze supply_flights;
        """,
        query="select count(*), max(g.pad) from supply_flights s join guests g on g.id = s.guest_id "
        "where s.departed >= '2025-06-01' and s.landed < '2025-06-02'",
        curable=False,
    ),
    Fault(
        name="groups_of_dependent_columns",
        cause="ndistinct_multi_column",
        setup="""
        create table stays(id int, city text, region text);
        insert into stays select i, 'c' || i % 90, 'r' || (i % 90) / 3 from generate_series(1, 100000) i;
        create table city_facts(city text, fact text);
        insert into city_facts select 'c' || i % 9000, 'f' || i from generate_series(1, 90000) i;
        create index on city_facts(city);
        analyze;
        """,
        query="select count(*), max(f.fact) from (select city, region, count(*) n from stays group by city, region) s "
        "join city_facts f on f.city = s.city",
    ),
    Fault(
        name="distinct_of_three_columns",
        cause="ndistinct_multi_column",
        setup="""
        create table "Bed Plans"(hut int, room int, bed int);
        insert into "Bed Plans" select i % 120, (i % 120) / 2, (i % 120) / 4 from generate_series(1, 80000) i;
        create table beds(bed int, fact text);
        insert into beds select i % 20000, 'f' || i from generate_series(1, 100000) i;
        create index on beds(bed);
        analyze;
        """,
        query='select count(*), max(f.fact) from (select distinct hut, room, bed from "Bed Plans") s '
        "join beds f on f.bed = s.hut",
    ),
    Fault(
        name="distinct_declared_wrong",
        cause="ndistinct_wrong",
        setup="""
        create table flight_items(id int, batch int, pad text);
        insert into flight_items select i, i % 30000, repeat('f', 20) from generate_series(1, 120000) i;
        alter table flight_items alter column batch set (n_distinct = 40);
        create table batches(id int primary key, origin text);
        insert into batches select i, 'valley ' || i % 9 from generate_series(0, 29999) i order by md5(i::text);
        analyze;
        """,
        query="select count(*), max(b.origin) from (select batch, count(*) n from flight_items group by batch) i "
        "join batches b on b.id = i.batch",
    ),
    Fault(
        name="distinct_from_a_small_sample",
        cause="ndistinct_wrong",
        setup="""
        create table meals(id int, dish int);
        insert into meals select i, case when i % 10 < 7 then i % 20 else 100 + i % 20000 end
          from generate_series(1, 200000) i;
        create table dishes(id int, fact text);
        insert into dishes select i / 4, 'f' || i from generate_series(1, 200000) i;
        create index on dishes(id);
        analyze dishes;
        set default_statistics_target = 1;
        analyze meals;
        """,
        query="select count(*), max(d.fact) from (select dish, count(*) n from meals group by dish) m "
        "join dishes d on d.id = m.dish",
        also=("column_target_too_low",),
    ),
    Fault(
        name="expression_json",
        cause="expression_without_statistics",
        setup=guests(100_000)
        + """
        create table supply_flights(id int, guest_id int, cargo jsonb);
        insert into supply_flights select i, i % 100000 + 1,
          jsonb_build_object('kind', case when i % 3 = 0 then 'food' else 'gas' end) from generate_series(1, 60000) i;
        analyze supply_flights;
        """,
        query="select count(*), max(g.pad) from supply_flights s join guests g on g.id = s.guest_id "
        "where s.cargo ->> 'kind' = 'food'",
    ),
    Fault(
        name="expression_case",
        cause="expression_without_statistics",
        setup=guests(100_000)
        + """
        create table bookings(id int, guest_id int, "Partner Code" varchar(20));
        insert into bookings select i, i % 100000 + 1, 'Alp' || i % 4 from generate_series(1, 60000) i;
        analyze bookings;
        """,
        query="select count(*), max(g.pad) from bookings b join guests g on g.id = b.guest_id "
        """where lower(b."Partner Code") = 'alp1'""",
    ),
    Fault(
        name="expression_month",
        cause="expression_without_statistics",
        setup=guests(100_000)
        + """
        create table logbook(id int, guest_id int, made timestamptz);
        insert into logbook select i, i % 100000 + 1, timestamptz '2025-01-01' + i % 60 * interval '1 day'
          from generate_series(1, 60000) i;
        analyze logbook;
        """,
        query="select count(*), max(g.pad) from logbook l join guests g on g.id = l.guest_id "
        "where date_trunc('month', l.made) = timestamptz '2025-02-01'",
    ),
)
