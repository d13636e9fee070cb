"""What the planner may not see: a parameter's value, a function's rows, hidden statistics, a subquery's outcome."""

from __future__ import annotations

from typing import Final

from tests.second_faults.model import Fault, at

_GENERIC: Final = "set plan_cache_mode = force_generic_plan"
_LEAKPROOF: Final = "PostgreSQL documentation, 'Rules and Privileges', and CREATE FUNCTION, LEAKPROOF"

_ONE_LARGE_TENANT: Final = """
create table editor (editor_id int primary key, name text not null);
create table draft (tenant_id int not null, draft_no int not null, editor_id int not null,
  primary key (tenant_id, draft_no));
insert into editor select n, 'editor ' || n from generate_series(1, 9000) n;
insert into draft select case when n % 5 < 3 then 1 else 2 + n % 499 end, n, 1 + n * 7 % 9000
  from generate_series(1, 30000) n;
analyze;
"""

_CALENDAR: Final = """
create table choir (choir_id int primary key, director text not null);
create table rehearsal (rehearsal_id int primary key, choir_id int not null references choir, held_on date not null);
create index on rehearsal (held_on);
insert into choir select n, 'director ' || n % 70 from generate_series(1, 9000) n;
insert into rehearsal select n, 1 + n * 7 % 9000, date '2010-01-01' + n / 5 from generate_series(1, 20000) n;
analyze;
"""

_PICKED_ITEMS: Final = """
create table shelf_item (item_id int primary key, maker_id int not null, label text not null);
create table label_maker (maker_id int primary key, since date not null);
insert into shelf_item select n, 1 + n % 2000, 'item ' || n from generate_series(1, 20000) n;
insert into label_maker select n, date '1980-01-01' + n from generate_series(1, 2000) n;
analyze;
"""
_PICKED: Final = ",".join(str(7 * number) for number in range(1, 601))

_FREE_SEATS: Final = """
create table chair (chair_id int primary key, tier text not null);
insert into chair select n, 'tier ' || n % 5 from generate_series(1, 60000) n;
analyze chair;
create function free_chairs(evening date) returns setof int language plpgsql stable as
  $$ begin return query select chair_id from chair where chair_id % 4 <> extract(day from evening)::int % 4; end $$;
"""

_KEYWORDS: Final = """
create table leaflet (leaflet_id int primary key, shop_no int not null, keywords text not null);
create table glossary (word text primary key, meaning text not null);
insert into leaflet select n, n % 20, 'seed' || n % 90 || ',soil' || n % 70 || ',frost' || n % 40 || ',peat'
  from generate_series(1, 4000) n;
insert into glossary select w || n, w || ' of kind ' || n
  from unnest(array['seed', 'soil', 'frost']) w, generate_series(0, 3999) n;
analyze;
"""

_DEPUTIES: Final = """
create table duty (duty_no int primary key, person int not null, starts date not null);
create index on duty (person);
create table deputy (person int not null, stands_for int not null);
create index on deputy (person);
insert into duty select n, n % 10000, date '2025-01-01' + n % 365 from generate_series(1, 30000) n;
insert into deputy select n, n + s from generate_series(1, 9000) n, generate_series(1, 3) s;
analyze;
create function stands_for(who int) returns setof int language sql stable strict as $$ select stands_for
  from deputy where person = who $$;
"""

_OFFICES: Final = """
do $$ begin create role fourth_counter_clerk; exception when duplicate_object then null; end $$;
create table holder (holder_id int primary key, town text not null);
create table petition (petition_id int primary key, holder_id int not null, office text not null, subject text not
  null);
insert into holder select n, 'town ' || n % 50 from generate_series(1, 8000) n;
insert into petition select n, 1 + n * 7 % 8000, case when n % 5 = 0 then 'south' else 'north' end,
  md5(n::text) || case when n % 10 < 6 then ' claim' else ' praise' end from generate_series(1, 20000) n;
analyze;
alter table petition enable row level security;
create policy own_office on petition for select using (office = 'north');
grant select on holder, petition to fourth_counter_clerk;
"""

_FENCED_FEES: Final = """
do $$ begin create role fourth_fee_reader; exception when duplicate_object then null; end $$;
create table pupil (pupil_id int primary key, street text not null);
create table lesson_fee (pupil_id int not null, kept_secret boolean not null, amount numeric(8,2) not null);
insert into pupil select n, 'street ' || n % 90 from generate_series(1, 60000) n;
insert into lesson_fee select 1 + n * 7 % 60000, n % 9 = 0, (n % 20000) / 200.0 from generate_series(1, 20000) n;
analyze;
create view public_fee with (security_barrier) as select pupil_id, amount from lesson_fee where not kept_secret;
grant select on pupil, public_fee to fourth_fee_reader;
"""

_DEPOT_TREE: Final = """
create table stockroom (room_id int primary key, inside int);
create index on stockroom (inside);
create table shelf_count (room_id int primary key, counted int not null);
insert into stockroom select n, case when n > 1 then n / 4 +
  case when n < 4 then 1 else 0 end end from generate_series(1, 20000) n;
insert into shelf_count select n, n % 60 from generate_series(1, 60000) n;
analyze;
"""

_TILL_CLOSE: Final = """
create table till_close (closed_on date primary key);
create table cashier (cashier_id int primary key, till text not null);
create table takings (takings_id int primary key, cashier_id int not null, taken_on date not null);
insert into till_close select date '2024-01-01' + n from generate_series(0, 395) n;
insert into cashier select n, 'till ' || n % 6 from generate_series(1, 50000) n;
insert into takings select n, 1 + n * 7 % 50000, date '2024-01-01' + n / 75 from generate_series(0, 29999) n;
analyze;
"""

_ROUND_TRIPS: Final = """
create table member (member_id int primary key, tariff text not null);
create table hired_trip (trip_id int primary key, member_id int not null, from_dock int not null, to_dock int not null);
insert into member select n, 'tariff ' || n % 4 from generate_series(1, 9000) n;
insert into hired_trip select n, 1 + n * 7 % 9000, n % 300, case when n % 10 < 7 then n % 300 else n * 13 % 300 end
  from generate_series(1, 20000) n;
analyze;
"""

FAULTS: Final = (
    Fault(
        name="a prepared statement asked for the large tenant",
        code="generic_plan",
        source="PostgreSQL documentation, PREPARE, 'Notes', and plan_cache_mode",
        schema=_ONE_LARGE_TENANT,
        prelude=(
            _GENERIC,
            "prepare drafts_of(int) as select e.name, count(*) from draft d join editor e on e.editor_id = d.editor_id"
            " where d.tenant_id = $1 group by e.name",
        ),
        query="execute drafts_of(1)",
        place=at("d"),
        cure=(),
        cured_query="select e.name, count(*) from draft d join editor e on e.editor_id = d.editor_id"
        " where d.tenant_id = 1 group by e.name",
        others={
            "a small tenant": "select count(*) from draft where tenant_id = 44",
            "an editor": "select name from editor where editor_id = 4",
        },
        never_first=frozenset({"drop_index", "more_statistics", "refresh_statistics"}),
    ),
    Fault(
        name="a prepared range over nearly all days",
        code="generic_plan",
        source="https://mail-archive.com/pgsql-general@postgresql.org/msg110544.html: 5,000 of a million rows for a"
        " range",
        schema=_CALENDAR,
        prelude=(
            _GENERIC,
            "prepare held(date, date) as select c.director, count(*) from rehearsal r"
            " join choir c on c.choir_id = r.choir_id"
            " where r.held_on between $1 and $2 group by c.director",
        ),
        query="execute held('2010-06-01', '2020-12-31')",
        place=at("r"),
        cure=(),
        cured_query="select c.director, count(*) from rehearsal r join choir c on c.choir_id = r.choir_id"
        " where r.held_on between '2010-06-01' and '2020-12-31' group by c.director",
        others={
            "a day": "select count(*) from rehearsal where held_on = '2011-01-01'",
            "directors": "select director, count(*) from choir group by director",
        },
        never_first=frozenset({"drop_index", "more_statistics", "refresh_statistics"}),
    ),
    Fault(
        name="a prepared list of six hundred items",
        code="generic_plan",
        source="PostgreSQL sources, selfuncs.c, estimate_array_length: ten elements for an array that is not known",
        schema=_PICKED_ITEMS,
        prelude=(
            _GENERIC,
            "prepare picked(int[]) as select m.since, i.label from shelf_item i"
            " join label_maker m on m.maker_id = i.maker_id"
            " where i.item_id = any($1)",
        ),
        query=f"execute picked('{{{_PICKED}}}')",
        place=at("i"),
        cure=(),
        cured_query="select m.since, i.label from shelf_item i join label_maker m on m.maker_id = i.maker_id"
        f" where i.item_id = any('{{{_PICKED}}}'::int[])",
        others={
            "a maker": "select count(*) from shelf_item where maker_id = 4",
            "young makers": "select count(*) from label_maker where since > '1984-01-01'",
        },
        never_first=frozenset({"drop_index", "more_statistics", "refresh_statistics"}),
    ),
    Fault(
        name="a function that returns most of the chairs",
        code="function_row_default",
        source="PostgreSQL documentation, CREATE FUNCTION, ROWS: the default assumption is 1000 rows",
        schema=_FREE_SEATS,
        query="select c.tier, count(*) from free_chairs(date '2025-05-06') f(chair_id)"
        " join chair c on c.chair_id = f.chair_id group by c.tier",
        place=at("f"),
        cure=("alter function free_chairs(date) rows 45000",),
        others={
            "tiers": "select tier, count(*) from chair group by tier",
            "a chair": "select * from chair where chair_id = 17",
        },
        never_first=frozenset({"drop_index", "more_statistics", "refresh_statistics"}),
    ),
    Fault(
        name="keywords split into rows",
        code="function_row_default",
        source="PostgreSQL sources, pg_proc.dat: prorows 1000 of regexp_split_to_table; CREATE FUNCTION, ROWS",
        schema=_KEYWORDS,
        query="select g.meaning, count(*) from leaflet l cross"
        " join lateral regexp_split_to_table(l.keywords, ',') k(word)"
        " join glossary g on g.word = k.word where l.shop_no = 4 group by g.meaning",
        place=at("k"),
        cure=(),
        cured_query="select g.meaning, count(*) from leaflet l cross"
        " join lateral unnest(string_to_array(l.keywords, ',')) k(word)"
        " join glossary g on g.word = k.word where l.shop_no = 4 group by g.meaning",
        others={
            "a word": "select meaning from glossary where word = 'soil17'",
            "shops": "select shop_no, count(*) from leaflet group by shop_no",
        },
        never_first=frozenset({"drop_index", "more_statistics", "refresh_statistics"}),
    ),
    Fault(
        name="three people behind a function that cannot be inlined",
        code="function_row_default",
        source="PostgreSQL documentation, CREATE FUNCTION, ROWS; the PostgreSQL wiki, 'Inlining of SQL functions'",
        schema=_DEPUTIES,
        query="select d.duty_no, d.starts from stands_for(77) s(person) join duty d on d.person = s.person",
        place=at("s"),
        cure=("alter function stands_for(int) rows 3",),
        others={
            "a day": "select count(*) from duty where starts = '2025-03-03'",
            "deputies": "select count(*) from deputy where stands_for = 400",
        },
        never_first=frozenset({"drop_index", "more_statistics", "refresh_statistics"}),
    ),
    Fault(
        name="subjects hidden by row security",
        code="statistics_not_usable",
        source=_LEAKPROOF,
        schema=_OFFICES,
        role="fourth_counter_clerk",
        query="select h.town, count(*) from petition p join holder h on h.holder_id = p.holder_id"
        " where p.subject like '%claim' group by h.town",
        place=at("p"),
        cure=("alter function pg_catalog.textlike(text, text) leakproof",),
        others={
            "a town": "select count(*) from holder where town = 'town 3'",
            "a petition": "select subject from petition where petition_id = 3",
        },
        never_first=frozenset({"drop_index", "more_statistics", "refresh_statistics"}),
    ),
    Fault(
        name="fees behind a view that is a barrier",
        code="statistics_not_usable",
        source=f"{_LEAKPROOF}; PostgreSQL sources, selfuncs.c, examine_simple_variable",
        schema=_FENCED_FEES,
        role="fourth_fee_reader",
        query="select p.street, f.amount from public_fee f join pupil p on p.pupil_id = f.pupil_id"
        " where f.amount > 99.7",
        place=at("lesson_fee"),
        cure=("alter view public_fee set (security_barrier = false)",),
        others={
            "a pupil": "select street from pupil where pupil_id = 4",
            "fees": "select count(*) from public_fee",
        },
        never_first=frozenset({"drop_index", "more_statistics", "refresh_statistics"}),
    ),
    Fault(
        name="all rooms inside one, by recursion",
        code="unexplained",
        source="PostgreSQL sources, costsize.c, set_cte_size_estimates and cost_recursive_union: ten times the start",
        schema=_DEPOT_TREE,
        query="with recursive r(room_id) as (select room_id from stockroom where room_id = 1 union all"
        " select s.room_id from stockroom s join r on s.inside = r.room_id)"
        " select sum(c.counted) from r x join shelf_count c on c.room_id = x.room_id",
        place=at("x"),
        cure=(
            "create table reached as with recursive r(room_id) as (select room_id from stockroom"
            " where room_id = 1 union all"
            " select s.room_id from stockroom s join r on s.inside = r.room_id) select room_id from r",
            "analyze reached",
        ),
        cured_query="select sum(c.counted) from reached x join shelf_count c on c.room_id = x.room_id",
        others={
            "a room": "select * from stockroom where inside = 44",
            "empty shelves": "select count(*) from shelf_count where counted = 0",
        },
        never_first=frozenset({"drop_index", "more_statistics", "refresh_statistics"}),
    ),
    Fault(
        name="takings since the last close, whose day is looked up",
        code="unexplained",
        source="https://mail-archive.com/pgsql-general@postgresql.org/msg110544.html: a third for a bound that is"
        " not known;"
        " selfuncs.c, scalarineqsel_wrapper",
        schema=_TILL_CLOSE,
        query="select c.till, count(*) from takings t join cashier c on c.cashier_id = t.cashier_id"
        " where t.taken_on > (select max(closed_on) from till_close) group by c.till",
        place=at("t"),
        cure=(),
        cured_query="select c.till, count(*) from takings t join cashier c on c.cashier_id = t.cashier_id"
        " where t.taken_on > date '2025-01-30' group by c.till",
        others={
            "a day": "select count(*) from takings where taken_on = '2024-05-05'",
            "a till": "select count(*) from cashier where till = 'till 3'",
        },
        never_first=frozenset({"drop_index", "more_statistics", "refresh_statistics"}),
    ),
    Fault(
        name="trips that end where they began",
        code="unexplained",
        also_right=frozenset({"expression_without_statistics"}),
        source="PostgreSQL sources, selfuncs.c, var_eq_non_const: one value of all that the column has",
        schema=_ROUND_TRIPS,
        query="select m.tariff, count(*) from hired_trip t join member m on m.member_id = t.member_id"
        " where t.from_dock = t.to_dock group by m.tariff",
        place=at("t"),
        cure=(
            "alter table hired_trip add column round boolean generated always as (from_dock = to_dock) stored",
            "analyze hired_trip",
        ),
        cured_query="select m.tariff, count(*) from hired_trip t join member m on m.member_id = t.member_id"
        " where t.round group by m.tariff",
        others={
            "a dock": "select count(*) from hired_trip where from_dock = 12",
            "a member": "select tariff from member where member_id = 12",
        },
    ),
)
